"""A garden drained for the winter: nothing is opened, nothing said of water that is meant to be gone.

That it is drained is a person's word, and so is that it is back; no date brings it back by itself, for the
valve must be fitted and the drains shut by hand first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from scheduler.control.care import BY_ID, care_done
from scheduler.control.effects import AlertKind, RecordChoice
from scheduler.control.spans import Span, read_span
from scheduler.site.model import Site, WinterValve

WINTER = "winter"
_BACK = "back "
# What is still true, and still matters, of a drained garden; frost while it holds water all the same.
TOLD_IN_WINTER: frozenset[AlertKind] = frozenset({"store_failed", "order_refused", "winter_over", "frost"})
# Drained longer ago than this is a slip of the date (a choice of this project).
DRAINED_AGO_MOST = timedelta(days=300)
# A level below this says nothing: sensors of the trade err by some 8 to 30 mm (field tests of float and
# pressure cells in wells), and by more at the bottom of a barrel.
LEVEL_OF_WATER_M = 0.05


@dataclass(frozen=True, slots=True)
class Winter:
    """``drained``: since which day, and until when it is meant to be; None: it is not drained. ``back``: when
    it was last brought back, None: never."""

    drained: Span | None = None
    back: date | None = None
    who: str = ""


NOT_IN_WINTER = Winter()


def winter_of(choices: Sequence[RecordChoice]) -> Winter:
    """How the garden stands to the winter, as people told it."""
    if not choices:  # as in most gardens, and asked at each look
        return NOT_IN_WINTER
    told = next((c for c in choices if c.subject == WINTER), None)
    if told is None or told.value is None:
        return NOT_IN_WINTER
    if told.value.startswith(_BACK):
        return Winter(back=date.fromisoformat(told.value.removeprefix(_BACK)), who=told.who)
    return Winter(drained=read_span(told.value), who=told.who)


def is_drained(choices: Sequence[RecordChoice]) -> bool:
    return winter_of(choices).drained is not None


def rests_dry(choices: Sequence[RecordChoice], level_m: float | None) -> bool:
    """Drained, and nothing says that there is water: then it matters little where a valve stands."""
    return is_drained(choices) and (level_m is None or level_m <= LEVEL_OF_WATER_M)


def back_value(day: date) -> str:
    """What is kept of having been brought back on a day."""
    return f"{_BACK}{day}"


WINTER_WORDS: Mapping[WinterValve, str] = {"half-open": "half open", "open": "open", "shut": "shut"}


@dataclass(frozen=True, slots=True)
class WinterValveSeen:
    """A zone's valve against the place it is to winter in. ``proven`` None: not known."""

    zone: str
    wanted: WinterValve
    proven: bool | None
    words: str


def valves_in_winter(
    site: Site, positions: Mapping[int, str] | None, choices: Sequence[RecordChoice]
) -> tuple[WinterValveSeen, ...]:
    """Each valve by the node's last word and by a person's. ``positions`` by channel; None: never heard.

    The node has two end switches, so it proves shut, open, or neither; as it shuts whenever it starts, a
    valve is left half open by hand with the node off, and then only that person knows.
    """
    drained = winter_of(choices).drained
    turned = care_done(choices).get(BY_ID["valves"].id)
    by_hand = drained is not None and turned is not None and turned >= drained.first
    found = []
    for zone in site.zones:
        said = positions.get(zone.valve.channel) if positions is not None else None
        found.append(_seen(zone.id, zone.winter_valve, said, by_hand=by_hand))
    return tuple(found)


def _seen(zone: str, wanted: WinterValve, said: str | None, *, by_hand: bool) -> WinterValveSeen:
    place = WINTER_WORDS[wanted]
    if (wanted, said) in (("shut", "closed"), ("open", "open"), ("half-open", "unknown")):
        return WinterValveSeen(zone, wanted, True, f"{place}, as the node last said")
    if by_hand and wanted != "shut":
        return WinterValveSeen(zone, wanted, True, f"turned {place} by hand, as told")
    if said is None:
        return WinterValveSeen(zone, wanted, None, f"to be {place}; the node has not said where it is")
    where = {"closed": "shut", "unknown": "neither open nor shut"}.get(said, said)
    how = "let the node shut it" if wanted == "shut" else "switch the node off and turn it by hand"
    return WinterValveSeen(zone, wanted, False, f"to be {place}, but the node last said {where}: {how}")
