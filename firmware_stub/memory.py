"""What a node remembers over a restart: written whole, read with distrust.

Orders that were used, outcomes without a receipt, each valve's open time of the day, runs under way,
which valves are known to be shut, the log.
"""

try:
    from . import codec
except ImportError:  # on the board the files stand side by side
    import codec

OUTCOMES_KEPT = 8
USED_KEPT = 16
SAVE_EVERY_MS = 60000  # while open; bounds what a restart leaves unknown, and wear: 1 write a minute
BOOT_MS_MAX = 10000  # what a watchdog restart may take until the valve is driven closed


def kept(node):
    """What must survive a restart."""
    return {
        "used": node.used,
        "outcomes": node.outcomes,
        "dropped": node.outcomes_dropped,
        "log": node.diary.memory(),
        "day_open_ms": [
            node.day_open_ms[v.channel] + (v.run.open_ms(node.uptime_ms) if v.run else 0) for v in node.valves
        ],
        "runs": [
            [v.channel, v.run.order_id, v.run.open_ms(node.uptime_ms), v.run.granted_ms]
            for v in node.valves
            if v.run
        ],
        "shut": [v.known_shut() for v in node.valves],
    }


def restore(node, saved):
    if not isinstance(saved, dict):
        return
    try:
        node.used = [i for i in saved["used"] if codec.is_name(i)][-USED_KEPT:]
        node.outcomes = [o for o in saved["outcomes"] if _good_outcome(o)][-OUTCOMES_KEPT:]
        if codec.is_int(saved["dropped"], 0, codec.SEQUENCE_MAX):
            node.outcomes_dropped = saved["dropped"]
        for c, ms in enumerate(saved["day_open_ms"][: node.settings.channels]):
            if codec.is_int(ms, 0, codec.OPEN_MS_MAX):
                node.day_open_ms[c] = ms
        for run in saved["runs"]:
            _interrupted(node, run)
        for v in node.valves:
            if saved["shut"][v.channel] is True:
                v.was_known_shut()
    except (KeyError, TypeError, ValueError, IndexError):
        pass  # what can be read is kept; an unreadable memory is an empty one


def _interrupted(node, run):
    """An order that was under way when the node went down."""
    c, order_id, elapsed_ms, granted_ms = run
    whole = codec.is_int(c, 0, 255) and codec.is_name(order_id)
    if not (whole and codec.is_int(elapsed_ms, 0, 1 << 40) and codec.is_int(granted_ms, 0, 1 << 40)):
        return
    most = min(granted_ms, elapsed_ms + SAVE_EVERY_MS + BOOT_MS_MAX)
    told = most = max(most, elapsed_ms)
    if node.reset_cause == "power_on" and not node.settings.shuts_without_power:
        # A plain motor valve stays where it is without power, for nobody here knows how long.
        told, most = codec.OPEN_MS_MAX, max(granted_ms, elapsed_ms)
    node.add_outcome(order_id, c, elapsed_ms, told, "restart")
    if c < node.settings.channels:
        node.day_open_ms[c] += most - elapsed_ms


def _good_outcome(o):
    return (
        isinstance(o, dict)
        and codec.is_name(o.get("order_id"))
        and codec.is_int(o.get("channel"), 0, 255)
        and codec.is_int(o.get("open_ms"), 0, 1 << 40)
        and codec.is_int(o.get("open_ms_max"), 0, 1 << 40)
        and o.get("why") in ("time_up", "asked", "low_level", "low_supply", "fault", "restart")
    )
