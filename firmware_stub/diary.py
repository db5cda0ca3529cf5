"""The node's own log of its last refusals and faults, told when asked for. Bounded; survives a restart."""

KEPT = 16
WORDS_MAX = 40


class Diary:
    """``entries``: (restarts ago, seconds of uptime, words), oldest first."""

    def __init__(self, saved=None):
        self.entries = []
        if not isinstance(saved, list):
            return
        for e in saved[-KEPT:]:
            try:
                ago, uptime_s, words = e
                if type(ago) is int and type(uptime_s) is int and ago >= 0 and uptime_s >= 0:
                    self.entries.append((min(ago + 1, 999), uptime_s, str(words)[:WORDS_MAX]))
            except (TypeError, ValueError):
                pass  # what can be read is kept

    def note(self, uptime_ms, words):
        """One more. The same words within a minute are left out, so that a storm pushes nothing off."""
        uptime_s = uptime_ms // 1000
        for ago, at_s, told in self.entries:
            if ago == 0 and told == words and uptime_s - at_s < 60:
                return
        self.entries.append((0, uptime_s, words[:WORDS_MAX]))
        if len(self.entries) > KEPT:
            self.entries.pop(0)

    def memory(self):
        return [list(e) for e in self.entries]
