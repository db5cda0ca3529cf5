"""Every action of the page that a form of its own does: how it is pressed, and what must then stand in the
store (or at the door, in the file of keys)."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta

from scheduler.site.model import Site
from scheduler.store.store import Store

# Days that the forms are filled with, by the running garden's own calendar.
TODAY, TOMORROW, NEXT_WEEK = "today", "tomorrow", "next week"


@dataclass(frozen=True, slots=True)
class Kept:
    """What a look into the store rests on."""

    store: Store
    site: Site
    now: datetime

    @property
    def today(self) -> date:
        return self.now.astimezone(self.site.place.timezone).date()


Held = Callable[[Kept], bool]


@dataclass(frozen=True, slots=True)
class Act:
    """``form``: where it stands on ``page``; ``fields``: what is filled in, by the words beside it;
    ``button``: its words. ``kept``: whether the store holds it."""

    action: str  # as the browser sends it: path, and "back" where that button was pressed
    form: str
    button: str
    kept: Held
    fields: Mapping[str, str] = field(default_factory=dict)
    page: str = "/tell"
    then: tuple[str, str] | None = None  # a page, and how its heading begins afterwards


def _choice(subject: str, value: str | None) -> Held:
    """``value`` None: it was taken back."""
    return lambda kept: {c.subject: c.value for c in kept.store.choices_now()}.get(subject) == value


def _days_chosen(subject: str, *words: str) -> Held:
    """A choice of days, by the local calendar."""

    def held(kept: Kept) -> bool:
        days = "/".join(day_of(word, kept.today) for word in words)
        return _choice(subject, days)(kept)

    return held


def _moved(kind: str, plant: str | None, *litres: float) -> Held:
    """The last that the books hold of that kind today, in order."""

    def held(kept: Kept) -> bool:
        told = [h for h in kept.store.hand_water_since(kept.today) if h.kind == kind and h.plant == plant]
        return [round(h.litres, 6) for h in told[-len(litres) :]] == list(litres)

    return held


def _holds(*zones: str) -> Held:
    return lambda kept: [h.zone for h in kept.store.holds_now() if h.until > kept.now] == list(zones)


def _level(level_m: float) -> Held:
    def held(kept: Kept) -> bool:
        found = kept.store.last_calibration()
        return found is not None and abs(found.level_m - level_m) < 1e-9

    return held


def _rain(rain_mm: float) -> Held:
    def held(kept: Kept) -> bool:
        saved = kept.store.load_saved(kept.now, kept.site.place.timezone)
        return (kept.today, rain_mm) in saved.rain_typed

    return held


BACK_BUTTON = "Take back so much of today's"
# In this order: what takes back stands behind what it takes back. The drum holds what is told of it.
ACTS: tuple[Act, ...] = (
    Act("/tell/measured", "#measured", "Tell the level", _level(0.78), {"Level": "78"}),
    Act(
        "/tell/topped-up", "#topped-up", "Tell the top-up", _moved("topped_up", None, 3.0), {"How much": "3"}
    ),
    Act(
        "/tell/topped-up back",
        "#topped-up",
        BACK_BUTTON,
        _moved("topped_up", None, 3.0, -1.0),
        {"How much": "1"},
    ),
    Act("/tell/took", "#took", "Tell what I took", _moved("took", None, 4.0), {"How much": "4 L"}),
    Act("/tell/took back", "#took", BACK_BUTTON, _moved("took", None, 4.0, -1.5), {"How much": "1,5"}),
    Act("/tell/gave", "#gave", "Tell what I gave", _moved("gave", "sage", 2.0), {"How much": "2"}),
    Act("/tell/gave back", "#gave", BACK_BUTTON, _moved("gave", "sage", 2.0, -0.5), {"How much": "0.5"}),
    Act("/tell/rained", "#rained", "Tell the rain", _rain(6.0), {"How much": "6", "On": TODAY}),
    Act("/tell/rank", "#rank", "Set the rank", _choice("rank sage", "2"), {"Rank": "2"}),
    Act("/tell/rank back", "#rank", "As in the site file", _choice("rank sage", None)),
    Act("/tell/ration", "#ration", "Spend it so", _choice("ration", "alike"), {"How": "alike"}),
    Act("/tell/reserve", "#reserve", "Release the reserve", _choice("reserve", "released")),
    Act("/tell/reserve back", "#reserve", "Keep it again", _choice("reserve", None)),
    Act("/tell/hold", "#hold", "Hold", _holds("bed"), {"Zone": "bed", "Watered again from": TOMORROW}),
    Act("/tell/hold back", "#hold", "End the hold", _holds(), {"Zone": "bed"}),
    Act(
        "/tell/away",
        "#away",
        "Tell the days",
        _days_chosen("away", TODAY, NEXT_WEEK),
        {"First day": TODAY, "Last day": NEXT_WEEK},
        then=("/away", "Nobody at home from today to"),
    ),
    Act("/tell/away back", "#away", "We are at home", _choice("away", None)),
    Act("/tell/care", "#care", "Tell it", _days_chosen("care filter", TODAY), {"What was done": "filter"}),
    Act(
        "/tell/quiet",
        "form[action='/tell/quiet']",
        "Put off",
        _days_chosen("quiet forecast_stale", TOMORROW),
        {"Send no more of it before": TOMORROW},
        page="/care",
    ),
    Act(
        "/tell/quiet back",
        "form[action='/tell/quiet']:has([name=back])",
        "Send it again",
        _choice("quiet forecast_stale", None),
        page="/care",
    ),
)


# ---- What there is -----------------------------------------------------------------------------------------

_FORM = re.compile(r'<form\b[^>]*method="post"[^>]*action="([^"]+)".*?</form>', re.DOTALL)
_BUTTON = re.compile(r"<button\b[^>]*>")


def actions_of(page: str) -> Iterator[str]:
    """Each button of each form of a page, as ``Act.action`` has it."""
    for form in _FORM.finditer(page):
        for button in _BUTTON.findall(form[0]):
            yield f"{form[1]} back" if 'name="back"' in button else form[1]


def day_of(word: str, today: date) -> str:
    days = {TODAY: 0, TOMORROW: 1, NEXT_WEEK: 7}
    return (today + timedelta(days=days[word])).isoformat() if word in days else word
