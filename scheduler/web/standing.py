"""How things stand, in one sentence, and what there is to do: what stands in the way of watering first."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from scheduler.control.conditions import FORECAST_STALE
from scheduler.control.running_low import NEAR_EMPTY_CLEAR
from scheduler.control.winter import LEVEL_OF_WATER_M, TOLD_IN_WINTER, winter_of
from scheduler.report.answers import StatusAlertAnswer, StatusAnswer, StatusWinterAnswer
from scheduler.report.leak import known_leak_words
from scheduler.report.year import day_words
from scheduler.site.model import Site
from scheduler.site.showing import give_or_take, show_length, show_volume
from scheduler.web.alert_words import alert_words, day_word
from scheduler.web.facts import Facts
from scheduler.web.plant_rows import plant_reach
from scheduler.web.showing import runs_over, zones_out_of_reach

Weight = Literal["go now", "look", "know", "well"]
_WEIGHTS: tuple[Weight, ...] = ("go now", "look", "know", "well")

# Alerts that have a sentence of their own here.
_OWN = {
    "valve_not_shut",
    "node_silent",
    "level_unknown",
    "clock_unknown",
    "forecast_stale",
    "near_empty",
}

# Less above the reserve is nothing (ours: a glass of water).
NOTHING_L = 0.25
# How a reason of the plan points to a command; here there is a link for it.
_CHOOSE = " To choose another way: fallinghead ration."
_TOP_UP = "Top up (through an air gap)"
# While one of these stands nothing is opened, whatever is planned.
_STANDSTILLS = {
    "drained",
    "valve_not_shut",
    "stopped",
    "service_away",
    "node_silent",
    "clock_unknown",
    "store_failed",
}


# Worth knowing beside how it stands, and no part of that.
_BESIDE = {"care_due", "away", "runs_over", "leak"}


@dataclass(frozen=True, slots=True)
class Standing:
    """``state``: its name in the page and in tests. ``advice``: what to do; empty: nothing."""

    state: str
    weight: Weight
    sentence: str
    advice: str = ""


def standings(facts: Facts) -> tuple[Standing, ...]:
    """All that is worth saying, the weightiest first; never empty."""
    found = tuple(_all(facts))
    if facts.status is not None and facts.status.winter is None:  # in winter that it is drained stands first
        found = tuple(sorted(found, key=lambda s: _WEIGHTS.index(s.weight)))
    return found if any(s.state not in _BESIDE for s in found) else (_well(facts), *found)


def stands_still(found: tuple[Standing, ...]) -> bool:
    """Whether nothing is opened until something is put right."""
    return any(s.state in _STANDSTILLS for s in found)


def _all(facts: Facts) -> Iterator[Standing]:
    status = facts.status
    if status is None:
        yield _no_store(facts)
        return
    alerts = {a.kind: a for a in reversed(status.alerts)}
    if "valve_not_shut" in alerts:
        yield _valve(facts, alerts["valve_not_shut"])
    if status.winter is not None:
        yield from _drained(facts, status, status.winter)
        return
    yield from _standstill(facts, status, alerts)
    yield from _unknowns(facts, status, alerts)
    yield from _nearly_empty(facts, status, alerts)
    yield from _short(facts, status)  # by today's figures: before what an alert said of them some days ago
    out = zones_out_of_reach(facts)
    told_below = {z.id for z in facts.site.zones if z.name in out}
    for alert in status.alerts:
        if alert.kind == "out_of_reach" and alert.subject in told_below:
            continue  # "not reached" says it by today's figures
        if alert.kind not in _OWN:
            yield Standing(alert.kind, "look", alert_words(facts, alert), alert.advice)
    yield from _dry(facts)
    yield from _held(facts, status)
    yield from _leak(facts, status)
    yield from _care(facts, status)
    yield from _away(facts, status)
    over = runs_over(facts)
    if over:
        yield Standing("runs_over", "know", over, "What you want to use of it, use before.")
    if facts.choices.reserve_released:
        yield Standing("reserve_released", "know", "The reserve is released: it is watered from it.", "")
    yield from _waiting(status)


def _waiting(status: StatusAnswer) -> Iterator[Standing]:
    count = status.waiting_requests
    if count:
        words = "requests wait" if count > 1 else "request waits"
        yield Standing("waiting", "know", f"{count} {words} for an answer.")


def _drained(facts: Facts, status: StatusAnswer, winter: StatusWinterAnswer) -> Iterator[Standing]:
    """A garden without water: since when, whether something is left to do, and no more."""
    since = day_words(winter.drained_on, facts.today)
    until = f", until about {day_words(winter.back_on, facts.today)}" if winter.back_on else ""
    wet = status.level_m is not None and status.level_m > LEVEL_OF_WATER_M
    advice = ""
    if wet:
        level = show_length(status.level_m, facts.site.units)
        said = (
            "As measured by hand, water stands"
            if status.level_by_hand
            else "The sensor says that water stands"
        )
        advice = f"{said} {level} above the outlet: let it out before it freezes."
    yield Standing(
        "drained",
        "look" if wet else "know",
        f"Drained for the winter since {since}{until}. Nothing is watered.",
        advice,
    )
    for words in dict.fromkeys(v.words for v in winter.valves if not v.proven):
        names = [facts.site.zone(v.zone).name for v in winter.valves if v.words == words]
        yield Standing("winter_valve", "look", f"Valve of {' and of '.join(names)}: {words}.")
    for alert in status.alerts:
        if alert.kind in TOLD_IN_WINTER and (wet or alert.kind != "frost"):
            yield Standing(alert.kind, "look", alert_words(facts, alert), alert.advice)
    yield from _waiting(status)


def _care(facts: Facts, status: StatusAnswer) -> Iterator[Standing]:
    """What has to be done now and then; after a winter all of it at once."""
    back = winter_of(facts.told).back
    checks = [c for c in status.care_due if back is not None and c.since == back]
    others = [c for c in status.care_due if c not in checks]
    if checks and back is not None:
        words = ", ".join(c.words for c in checks)
        since = "today" if back == facts.today else f"on {day_words(back, facts.today)}"
        count = f"{len(checks)} checks are" if len(checks) > 1 else "1 check is"
        text = f"Brought back from the winter {since}; {count} still to be told as done."
        yield Standing("back_from_winter", "look", text, f"{words[:1].upper()}{words[1:]}.")
    if others:
        yield Standing("care_due", "know", f"Care is due: {', '.join(c.words for c in others)}.")


def _leak(facts: Facts, status: StatusAnswer) -> Iterator[Standing]:
    """One that is worth a word; that there is none, or that nobody knows, stands beside the water."""
    words, advice = known_leak_words(facts.site, status, facts.today)
    if advice:
        yield Standing("leak", "know", words, advice)


def _away(facts: Facts, status: StatusAnswer) -> Iterator[Standing]:
    if status.away is not None:
        first, last = (day_words(d, facts.today) for d in (status.away.first, status.away.last))
        yield Standing("away", "know", f"Nobody at home from {first} to {last}.")


def _no_store(facts: Facts) -> Standing:
    if facts.trouble is not None:
        return Standing(
            "store_failed", "go now", f"What is kept of this garden cannot be read: {facts.trouble}"
        )
    return Standing(
        "nothing_yet",
        "look",
        "Nothing is known of this garden yet: its service has not run here.",
        "Start the service (fallinghead serve). The drawing below is the garden as its file describes it.",
    )


def _valve(facts: Facts, alert: StatusAlertAnswer) -> Standing:
    since = local_clock(facts.site, alert.since)
    which = " and ".join(f"of {name}, which the node last called {now}" for name, now in facts.unshut)
    return Standing(
        "valve_not_shut",
        "go now",
        f"A valve is not proven shut since {since}: water may be running out now.",
        f"Go and shut the hand tap at the barrels. Then look at the valve{f' {which}' if which else ''}.",
    )


def _unheard(status: StatusAnswer) -> str:
    return "the node is not heard" if status.daemon_running else "nobody listens to the node"


def _standstill(
    facts: Facts, status: StatusAnswer, alerts: dict[str, StatusAlertAnswer]
) -> Iterator[Standing]:
    """What keeps everything from being watered."""
    if status.stopped_by is not None:
        shut = {
            True: "The node says that every valve is shut.",
            False: "The node does not say that every valve is shut: shut the hand tap at the barrels.",
            None: f"Whether the valves are shut is not known: {_unheard(status)}.",
        }[status.valves_shut if status.daemon_running else None]
        proven = status.daemon_running and status.valves_shut is not None
        yield Standing(
            "stopped",
            "look",
            f"All watering is stopped by {status.stopped_by}. {shut}",
            "When it may go on: start again." if proven else "Shut the hand tap at the barrels.",
        )
    if status.practice_over:
        yield Standing(
            "practice_over",
            "know",
            "This is a practice that is over, as it stood at its end: no valve hangs on it.",
            "",
        )
    elif not status.daemon_running:
        yield Standing(
            "service_away",
            "go now",
            "The service that waters this garden is not running: nothing is watered, and what stands here "
            "may be old.",
            "Start it on the Pi: systemctl start fallinghead.",
        )
    elif status.node_heard_at is None:
        last = alerts.get("node_silent")
        since = f" since {local_clock(facts.site, last.since)} at the latest" if last else ""
        yield Standing(
            "node_silent",
            "go now" if facts.under_way else "look",
            f"The valve node is not heard{since}: nothing can be watered.",
            "Look at power and radio of the shed box. Whether the valves are shut is not known"
            + (", and a run was under way: shut the hand tap at the barrels." if facts.under_way else "."),
        )
    if "clock_unknown" in alerts:
        yield Standing(
            "clock_unknown",
            "look",
            "The time of day is not known to the Pi: nothing starts by the clock.",
            "Give the Pi a network connection, or set its clock.",
        )


def _unknowns(facts: Facts, status: StatusAnswer, alerts: dict[str, StatusAlertAnswer]) -> Iterator[Standing]:
    if status.level_m is None and status.node_heard_at is not None and status.daemon_running:
        if facts.last_level_at is None:
            yield Standing(
                "first_day",
                "look",
                "The first day: no water level was read yet, so nothing is opened.",
                "Wait for the first reading, or measure the level with a ruler and tell it here.",
            )
        else:
            yield Standing(
                "level_unknown",
                "look",
                "The water level is not known, so neither is how much there is and whom it reaches.",
                "Measure it with a ruler and tell it here. Look at the sensor for spiders and wet.",
            )
    stale = _forecast_age(status)
    if stale is not None or "forecast_stale" in alerts:
        age = f"is {stale.total_seconds() / 3600.0:.0f} h old" if stale else "does not come"
        raised = alerts.get("forecast_stale")
        advice = raised.advice if raised is not None else "Look at the network of the Pi."
        yield Standing(
            "forecast_stale",
            "know",
            f"The weather forecast {age}.",
            f"{advice} No rain is counted on that was not seen.".strip(),
        )


def _forecast_age(status: StatusAnswer) -> timedelta | None:
    if status.weather_fetched_at is None:
        return None
    age = status.at - status.weather_fetched_at
    return age if age > FORECAST_STALE else None


def _nearly_empty(
    facts: Facts, status: StatusAnswer, alerts: dict[str, StatusAlertAnswer]
) -> Iterator[Standing]:
    """By the litres of now; the alert's are of when it was raised. Where much is left, it says itself why."""
    if "near_empty" not in alerts:
        return
    if status.usable_l is None or status.usable_l >= NEAR_EMPTY_CLEAR * facts.made.model.usable_full_l:
        text = alert_words(facts, alerts["near_empty"])
    elif _nothing_left(status) and facts.choices.reserve_released:
        left = show_volume(status.total_l, facts.site.units)
        text = f"The barrels are down into the reserve, which is released: {left} stand above the outlet."
    elif _nothing_left(status):
        text = "The barrels are empty down to the reserve: nothing more can be used."
    else:
        text = f"The barrels are nearly empty: {show_volume(status.usable_l, facts.site.units)} can be used."
    advice = alerts["near_empty"].advice
    if _nothing_left(status):
        released = facts.choices.reserve_released
        advice = f"{_TOP_UP}." if released else f"{_TOP_UP}, or release the reserve."
    yield Standing("near_empty", "look", text, advice)


def _nothing_left(status: StatusAnswer) -> bool:
    return status.usable_l is not None and status.usable_l < NOTHING_L


def _short(facts: Facts, status: StatusAnswer) -> Iterator[Standing]:
    """The plan spends less than the plants want: water is short. Where nothing is left there is nothing to
    choose."""
    if facts.plan is None or _nothing_left(status):
        return
    for reason in facts.plan.reasons:
        if reason.code == "rationed":
            short, comma, spent = reason.text.removesuffix(_CHOOSE).partition(", so it goes ")
            goes = f" Until then it goes like this: {spent}" if comma else ""
            day = facts.plan.day
            if day == facts.today:
                short = short.replace(f"about {day:%A %d %B}", "today")
            text = f"{short.rstrip('.')}."
            yield Standing("short", "look", text, f"Top up, or choose how it is spent.{goes}")


def _dry(facts: Facts) -> Iterator[Standing]:
    dry = [p for p in facts.site.plants if plant_reach(facts, p.id) == "dry"]
    if dry:
        names = ", ".join(p.name for p in dry)
        whom, them = (f"{len(dry)} plants are", "them") if len(dry) > 1 else ("1 plant is", "it")
        text = f"{whom} not reached at this level: {names}."
        out = ", ".join(zones_out_of_reach(facts))
        if out:
            text += f" Until the water reaches {them}, {out} cannot be watered, and that counts as short."
        yield Standing("not_reached", "look", text, f"Water {them} by hand, or top up.")


def _held(facts: Facts, status: StatusAnswer) -> Iterator[Standing]:
    zone = facts.site.place.timezone
    for hold in status.held:
        until = hold.until.astimezone(zone)
        name = facts.site.zone(hold.zone).name
        yield Standing("held", "know", f"{name}: held by {hold.who} until {until:%A %d %B %H:%M}.")


def _well(facts: Facts) -> Standing:
    status = facts.status
    assert status is not None
    if facts.under_way:
        zones = ", ".join(dict.fromkeys(facts.site.zone(i.zone).name for i in facts.under_way))
        last = max(i.made_at + timedelta(milliseconds=i.order.open_ms) for i in facts.under_way)
        until = f"{last.astimezone(facts.site.place.timezone):%H:%M}"
        return Standing("running", "well", f"Watering now: {zones}, until about {until}.", "")
    if facts.plan is None:
        return Standing("first_plan", "well", "All is in order; the first plan is still to come.")
    if facts.coming:
        count = len({run.zone for run in facts.coming})
        zones = "1 zone is" if count == 1 else f"{count} zones are"
        return Standing("well", "well", f"All is well: {zones} watered next, {_when(facts)}.")
    coming = min(status.coming, key=lambda run: run.day, default=None)
    foreseen = f"; the next run is foreseen for {coming.day:%A %d %B}" if coming is not None else ""
    return Standing("well", "well", f"All is well: nothing more is watered today{foreseen}.")


def _when(facts: Facts) -> str:
    start = facts.coming[0].start.astimezone(facts.site.place.timezone)
    return day_word(facts, start) + f" from {start:%H:%M}"


def local_clock(site: Site, at: datetime) -> str:
    return f"{at.astimezone(site.place.timezone):%A %H:%M}"


def level_words(site: Site, status: StatusAnswer) -> str:
    """The level with its error on either side."""
    if status.level_m is None:
        return "level not known"
    text = show_length(status.level_m, site.units)
    if status.level_high_m is not None and status.level_low_m is not None:
        half_m = 0.5 * (status.level_high_m - status.level_low_m)
        text += give_or_take(show_length(half_m, site.units))
    return text
