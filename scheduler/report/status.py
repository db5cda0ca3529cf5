"""How a garden stands now, from its store, as an object and as sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Any

from scheduler.agronomy.past_week import STORED_YEARS
from scheduler.agronomy.weather import Outlook
from scheduler.control.effects import (
    Alert,
    Booking,
    RecordCalibration,
    RecordHold,
    RecordReading,
    RootZoneRecord,
)
from scheduler.planning.ahead import Ahead, ComingRun
from scheduler.planning.plan import Plan, PlannedRun
from scheduler.report.answers import (
    ComingRunAnswer,
    StatusAlertAnswer,
    StatusAnswer,
    StatusHoldAnswer,
    StatusPlantAnswer,
)
from scheduler.report.leak import leak_answer, leak_words
from scheduler.report.messages import as_told
from scheduler.report.stopped import short_today_words, stopped_zones
from scheduler.report.year import away_now, care_due_answers, day_words, winter_answer, winter_words
from scheduler.sensing.belief import UNKNOWN_LEVEL, LevelBelief
from scheduler.site.model import Site
from scheduler.site.showing import show_duration, show_length, show_rain, show_volume
from scheduler.store.store import Store
from scheduler.supply.stage import stage_storage

# A stored reading older than this says nothing of the level now (as in sensing: six hours).
LEVEL_AGE = timedelta(hours=6)
# What runs can show of a zone's flow that a household should know.
MOVES = ("falling", "rising", "step up", "step down")
# The note of a level that a person measured.
BY_HAND = "measured by hand"
# A ruler is read to 2-3 mm (the trade); 1.96 of them on either side.
HAND_SPAN_M = 0.006
# Said where no node proves it; the tap is the one thing that a person can be sure of.
_NOT_PROVEN = "Whether the valves are shut is not known: shut the hand tap at the barrels."
_SHUT_BY_NOBODY = f"{_NOT_PROVEN} Then start the daemon (systemctl start fallinghead, or fallinghead serve)."

# The service writes down when a node was heard every half hour; with three heartbeats more it is unheard.
WRITTEN_EVERY = timedelta(minutes=30)
HEARTBEATS_MISSED = 3


@dataclass(frozen=True, slots=True)
class _Facts:
    plan: Plan | None
    bookings: tuple[Booking, ...]
    zones: tuple[RootZoneRecord, ...]
    alerts: tuple[Alert, ...]
    stopped_by: str | None
    waiting: int
    outlook: Outlook | None
    holds: tuple[RecordHold, ...]


def status_answer(
    site: Site, store: Store, now: datetime, *, running: bool, ahead: Ahead | None = None
) -> StatusAnswer:
    """Everything a glance needs. Unknown is None. ``ahead``: the weeks ahead as of now; without it the days
    left are those of the last plan, and no run after today's is foreseen."""
    today = now.astimezone(site.place.timezone).date()
    facts = _facts(store, now, today)
    last = max((b for b in facts.bookings if b.volume_l > 0), key=lambda b: b.at, default=None)
    return StatusAnswer(
        garden=site.name,
        at=now,
        daemon_running=running,
        stopped_by=facts.stopped_by,
        last_zone=last.zone if last else None,
        last_at=last.at if last else None,
        last_volume_l=last.volume_l if last else None,
        plants=_plants(site, facts, today_bookings=[b for b in facts.bookings if b.day == today]),
        alerts=[
            StatusAlertAnswer(kind=a.kind, subject=a.subject, since=a.at, text=a.text, advice=a.advice)
            for a in facts.alerts
        ],
        waiting_requests=facts.waiting,
        coming=coming_answers(ahead, facts.plan),
        held=[
            StatusHoldAnswer(zone=h.zone, until=h.until, who=h.who)
            for h in facts.holds
            if any(z.id == h.zone for z in site.zones)  # else the file calls it otherwise since
        ],
        winter=winter_answer(site, store),
        away=away_now(site, store, now),
        care_due=care_due_answers(site, store, today),
        **_node(site, store, now),
        leak=leak_answer(store, today),
        stopped=stopped_zones(site, store, facts.plan, today),
        **_water(site, facts.plan, level_now(store, now), ahead),
        **_next(_next_run(facts.plan, facts.bookings, now)),
        **_weather(facts.outlook, today),
    )


def _facts(store: Store, now: datetime, today: date) -> _Facts:
    stop = store.stop_state()
    return _Facts(
        plan=store.last_plan(),
        bookings=store.bookings_since(today - timedelta(days=7)),
        zones=store.root_zones_since(today - timedelta(days=3)),
        alerts=store.open_alerts(),
        stopped_by=stop.who if stop is not None and stop.stopped else None,
        waiting=len(store.unanswered_requests()),
        outlook=store.last_outlook(),
        holds=tuple(h for h in store.holds_now() if h.until > now),
    )


def _node(site: Site, store: Store, now: datetime) -> dict[str, Any]:
    """When it was heard, and whether its valves are shut, unless that is too long ago."""
    age = WRITTEN_EVERY + HEARTBEATS_MISSED * timedelta(seconds=site.node.heartbeat_s)
    node = next((n for n in store.nodes_seen() if n.node == site.node.id and now - n.heard_at <= age), None)
    return {
        "node_heard_at": node.heard_at if node is not None else None,
        "valves_shut": all(p == "closed" for _, p in node.valves) if node is not None else None,
    }


def _water(site: Site, plan: Plan | None, belief: LevelBelief, ahead: Ahead | None) -> dict[str, Any]:
    """The level, what stands above outlet and reserve, how long it lasts."""
    known = belief.level_m is not None
    total_l = stage_storage(site.tank).volume_l(belief.level_m) if belief.level_m is not None else None
    early, middle, late = _days_left(plan, ahead) if known else (None, None, None)
    return {
        "level_m": belief.level_m,
        "level_low_m": belief.low_m,
        "level_high_m": belief.high_m,
        "level_quality": belief.quality,
        "level_at": belief.at,
        "level_by_hand": BY_HAND in belief.why if known else None,
        "total_l": total_l,
        "usable_l": max(0.0, total_l - site.reserve.volume_l) if total_l is not None else None,
        "days_left_early": early,
        "days_left_middle": middle,
        "days_left_late": late,
    }


def _next(run: PlannedRun | None) -> dict[str, Any]:
    return {
        "next_zone": run.zone if run else None,
        "next_start": run.start if run else None,
        "next_run_s": run.run_s if run else None,
    }


def _weather(outlook: Outlook | None, today: date) -> dict[str, Any]:
    """Whence it is; what stands in for a fresh forecast of today."""
    if outlook is None:
        return {}
    found: dict[str, Any] = {
        "weather_source": outlook.source,
        "weather_fetched_at": outlook.fetched_at,
        "weather_credits": list(outlook.credits),
    }
    et0 = outlook.et0_on(today)
    if et0 is not None:
        found |= {
            "et0_today_mm": round(et0.et0_mm, 2),
            "et0_today_low_mm": round(et0.low_mm, 2),
            "et0_today_high_mm": round(et0.high_mm, 2),
            "et0_today_from": et0.method,
        }
    return found


def _days_left(plan: Plan | None, ahead: Ahead | None) -> tuple[int | None, int | None, int | None]:
    if ahead is not None:
        return ahead.days_left
    if plan is None:
        return None, None, None
    return plan.store.days_left_early, plan.store.days_left_middle, plan.store.days_left_late


def coming_answers(ahead: Ahead | None, plan: Plan | None) -> list[ComingRunAnswer]:
    """Each zone's next watering as far as it can be foreseen."""
    runs = coming_runs(ahead, plan)
    return [ComingRunAnswer(zone=r.zone, day=r.day, volume_l=round(r.volume_l, 1)) for r in runs]


def coming_runs(ahead: Ahead | None, plan: Plan | None) -> list[ComingRun]:
    """What is foreseen, by day. Of today the plan has decided: what it leaves out comes tomorrow at the
    soonest."""
    if ahead is None:
        return []
    decided = plan is not None and plan.day == ahead.first
    planned = {r.zone for r in plan.runs} if plan is not None else set()
    soonest = ahead.first + timedelta(days=1)
    runs = [
        replace(r, day=soonest) if decided and r.day < soonest and r.zone not in planned else r
        for r in ahead.coming_runs()
    ]
    return sorted(runs, key=lambda run: run.day)


def level_now(store: Store, now: datetime) -> LevelBelief:
    """The level as far as it is known now: the newest of the sensor's word and a person's, not too old."""
    return _belief(store.last_reading(), store.last_calibration(), now)


def _belief(reading: RecordReading | None, by_hand: RecordCalibration | None, now: datetime) -> LevelBelief:
    """The newest of the sensor's word and a person's, if it is not too old to speak of now."""
    read_at = reading.belief.at if reading is not None else None
    if by_hand is not None and (read_at is None or by_hand.at > read_at) and now - by_hand.at <= LEVEL_AGE:
        low_m, high_m = by_hand.level_m - HAND_SPAN_M, by_hand.level_m + HAND_SPAN_M
        return LevelBelief("good", by_hand.at, by_hand.level_m, low_m, high_m, (BY_HAND,))
    if reading is None or read_at is None or now - read_at > LEVEL_AGE:
        return UNKNOWN_LEVEL
    return reading.belief


def _next_run(plan: Plan | None, bookings: Sequence[Booking], now: datetime) -> PlannedRun | None:
    """The first run of the plan that is not over; a run whose zone was booked since its start is over."""
    if plan is None:
        return None
    for run in plan.runs:
        booked = any(b.zone == run.zone and b.at >= run.start for b in bookings)
        if not booked and run.start + timedelta(seconds=run.run_s) >= now:
            return run
    return None


def _plants(site: Site, facts: _Facts, *, today_bookings: list[Booking]) -> list[StatusPlantAnswer]:
    newest: dict[str, RootZoneRecord] = {}
    for record in facts.zones:
        if record.plant not in newest or record.day >= newest[record.plant].day:
            newest[record.plant] = record
    given: dict[str, float] = {}
    for booking in today_bookings:
        for plant, litres in booking.given_l:
            given[plant] = given.get(plant, 0.0) + litres
    return [
        StatusPlantAnswer(
            id=p.id,
            name=p.name,
            depletion_mm=newest[p.id].depletion_mm if p.id in newest else None,
            given_today_l=given.get(p.id, 0.0),
        )
        for p in site.plants
    ]


def status_words(site: Site, answer: StatusAnswer) -> list[str]:
    """The same in sentences, what matters first."""
    zone = site.place.timezone
    lines = [_standing(answer)]
    today = answer.at.astimezone(zone).date()
    if answer.winter is not None:
        lines += winter_words(site, answer.winter, today)
    lines += _water_words(site, answer)
    lines += _run_words(site, answer)
    for hold in answer.held:
        until = hold.until.astimezone(zone).strftime("%A %d %B %H:%M %Z")
        lines.append(f"Held by {hold.who}: {site.zone(hold.zone).name} until {until}.")
    if answer.away is not None:
        away = answer.away
        lines.append(
            f"Away: {day_words(away.first, today)} to {day_words(away.last, today)}, as {away.who} told."
        )
    lines += [f"Alert: {as_told(site, a.since, a.text, today)} {a.advice}" for a in answer.alerts]
    lines += [f"{z.text} More: fallinghead drift." for z in answer.drift if z.finding in MOVES]
    if answer.care_due:
        lines.append(f"Care due: {', '.join(c.words for c in answer.care_due)} (fallinghead care).")
    lines += _weather_words(site, answer)
    if answer.waiting_requests:
        lines.append(_waiting(answer))
    return lines


def _water_words(site: Site, answer: StatusAnswer) -> list[str]:
    """What there is, and how long it lasts."""
    units, zone = site.units, site.place.timezone
    lines = []
    if answer.level_m is None:
        lines.append("Water: the level is unknown. Measure it by hand: fallinghead measured LEVEL.")
    else:
        half_m = ((answer.level_high_m or answer.level_m) - (answer.level_low_m or answer.level_m)) / 2
        at = answer.level_at.astimezone(zone).strftime("%H:%M %Z") if answer.level_at else "?"
        how = BY_HAND if answer.level_by_hand else f"{answer.level_quality}, read"
        lines.append(
            f"Water: {show_volume(answer.total_l, units)} above the outlet, "
            f"{show_volume(answer.usable_l, units)} above the reserve (level "
            f"{show_length(answer.level_m, units)} +-{show_length(half_m, units)}, "
            f"{how} at {at})."
        )
    if answer.days_left_middle == 0:
        lines += short_today_words(site, answer)
    elif answer.days_left_middle is not None:
        late = f" to {answer.days_left_late}" if answer.days_left_late is not None else " or more"
        lines.append(
            f"It lasts about {days_words(answer.days_left_middle)} ({answer.days_left_early}{late})."
        )
    if answer.winter is None:
        words = leak_words(site, answer, answer.at.astimezone(zone).date())
        lines.append(" ".join(["Leak:", *filter(None, words)]))
    return lines


def _run_words(site: Site, answer: StatusAnswer) -> list[str]:
    """The next run and the last."""
    units, zone = site.units, site.place.timezone
    lines = []
    if answer.next_zone and answer.next_start and answer.next_run_s:
        start = answer.next_start.astimezone(zone).strftime("%A %H:%M %Z")
        lines.append(f"Next run: {answer.next_zone}, {start}, {show_duration(answer.next_run_s)}.")
    elif answer.coming:
        lines.append(f"Next run: none left today; {coming_words(site, answer.coming)}.")
    else:
        lines.append("Next run: none planned today.")
    if answer.last_zone and answer.last_at:
        at = answer.last_at.astimezone(zone).strftime("%A %H:%M %Z")
        lines.append(f"Last run: {answer.last_zone}, {show_volume(answer.last_volume_l, units)}, ended {at}.")
    return lines


def coming_words(site: Site, coming: Sequence[ComingRunAnswer]) -> str:
    """Each zone with its day and litres."""
    return "; ".join(
        f"{site.zone(r.zone).name} about {r.day:%A %d %B}, about {show_volume(r.volume_l, site.units)}"
        for r in coming
    )


def _weather_words(site: Site, answer: StatusAnswer) -> list[str]:
    """Whence the weather is, how old, and what stands in for it while nothing fresh comes."""
    if answer.weather_source is None or answer.weather_fetched_at is None:
        return []
    if answer.weather_source == STORED_YEARS:
        lines = [f"Weather: no forecast ever came; from the {STORED_YEARS} of this place."]
    else:
        age_h = (answer.at - answer.weather_fetched_at).total_seconds() / 3600.0
        age = f"{age_h:.0f} h ago" if age_h >= 1.0 else "within the hour"
        credit = " ".join(answer.weather_credits)
        lines = [f"Weather: {answer.weather_source}, fetched {age}. {credit}".rstrip()]
    if answer.et0_today_mm is not None:
        et0, low, high = (
            show_rain(x, site.units)
            for x in (answer.et0_today_mm, answer.et0_today_low_mm, answer.et0_today_high_mm)
        )
        lines.append(f"No fresh forecast of today: ET0 {et0} ({low} to {high}), {answer.et0_today_from}.")
    return lines


def days_words(days: int) -> str:
    return "1 day" if days == 1 else f"{days} days"


def _standing(answer: StatusAnswer) -> str:
    if answer.practice_over:
        return f"{answer.garden}: a practice that is over, as it stood at its end; no valve hangs on it."
    if answer.winter is not None and answer.daemon_running:
        return f"{answer.garden}: drained for the winter."
    if answer.stopped_by is not None:
        return f"{answer.garden}: watering is stopped by {answer.stopped_by}. {_stopped(answer)}"
    if not answer.daemon_running:
        return f"{answer.garden}: the daemon is not running; nothing is watered. {_SHUT_BY_NOBODY}"
    if answer.node_heard_at is None:
        return (
            f"{answer.garden}: the valve node has not been heard; whether the valves are shut is not known, "
            "and nothing can be watered."
        )
    if answer.alerts:
        return f"{answer.garden}: {len(answer.alerts)} thing(s) to look at."
    if answer.level_m is None:
        return f"{answer.garden}: the water level is unknown; look at the sensor or measure by hand."
    return f"{answer.garden}: all is well."


def _stopped(answer: StatusAnswer) -> str:
    """What a stop has brought about, as far as the node says it, and how it goes on."""
    if not answer.daemon_running:
        # What the node said last is of before the service ended.
        return f"The daemon is not running: no close order goes out. {_SHUT_BY_NOBODY}"
    if answer.valves_shut is None:
        return f"The valve node has not been heard. {_NOT_PROVEN}"
    if not answer.valves_shut:
        return "The valve node does not say that every valve is shut: shut the hand tap at the barrels."
    return "The valve node says that every valve is shut. To go on: fallinghead resume"


def _waiting(answer: StatusAnswer) -> str:
    """Requests nobody has answered: without the daemon nobody will."""
    one = answer.waiting_requests == 1
    count = f"{answer.waiting_requests} request{'' if one else 's'}"
    if answer.daemon_running:
        return f"{count} wait{'s' if one else ''} for the daemon."
    return (
        f"{count} wait{'s' if one else ''} for the daemon, which is not running: nothing was done about "
        f"{'it' if one else 'them'} yet; {'it is' if one else 'they are'} taken up when it starts."
    )
