"""What is shown: the garden now, a plant, a day, and what became of a request."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import JSONResponse, Response

from scheduler.control.effects import Intent
from scheduler.planning.plan import PlannedRun
from scheduler.report.leak import leak_words
from scheduler.report.plan import worth_saying
from scheduler.site.showing import show_duration, show_volume
from scheduler.survey.section import LongSection, long_section
from scheduler.web import showing
from scheduler.web.acting import fate_of, request_of
from scheduler.web.alert_words import day_word
from scheduler.web.drawing import NARROW, WIDE, Levels, draw, reach, stretch
from scheduler.web.facts import Facts
from scheduler.web.plant_rows import plant_rows
from scheduler.web.rendering import mark, show
from scheduler.web.rights import Right, needs, parts_of
from scheduler.web.standing import Standing, standings, stands_still

router = APIRouter()
# Where what stands can be answered.
LINKS = {
    "short": ("/tell#ration", "Choose"),
    "stopped": ("/tell#again", "Start again"),
    "level_unknown": ("/tell#measured", "Tell a measured level"),
    "first_day": ("/tell#measured", "Tell a measured level"),
    "drained": ("/tell#winter", "Tell that it is back"),
    "winter_over": ("/tell#winter", "Tell that it is back"),
    "winter_valve": ("/tell#care", "Tell it as done"),
    "frost": ("/tell#winter", "Tell that it is drained"),
    "back_from_winter": ("/care", "Tell them as done"),
    "near_empty": ("/tell#topped-up", "Tell a top-up"),
    "out_of_reach": ("/tell#topped-up", "Tell a top-up"),
    "level_doubtful": ("/tell#measured", "Tell a measured level"),
    "care_due": ("/care", "Tell it as done"),
    "away": ("/away", "What a helper does"),
    "leak": ("/weeks#leak", "Where the water went"),
}
# The same in a practice that is over, in which nothing can be told.
LINKS_TO_LOOK = {state: link for state, link in LINKS.items() if state in ("away", "leak")}
# What goes before the advice, where that is not first of all something to do.
TO_DO = {"run_interrupted": "What comes:"}
# Nothing is wrong, and yet there is something to do.
LOOK_AT = ("care_due", "runs_over", "leak")
ZoneName = Annotated[str | None, Query(max_length=60)]


@router.get("/", dependencies=[needs(Right.LOOK)])
def now(request: Request, zone: ZoneName = None) -> Response:
    """The garden as it stands."""
    facts = parts_of(request).garden.look()
    site = facts.site
    standing = standings(facts)
    shown = _zone_shown(facts, zone)
    levels = levels_of(facts)
    section = long_section(facts.made.model, shown, levels=facts.made.levels[shown], at=levels.at())
    local = facts.now.astimezone(site.place.timezone)
    return show(
        request,
        "now.html",
        here="now",
        standing=standing,
        look_below=any(s.weight in ("go now", "look") or s.state in LOOK_AT for s in standing[1:]),
        idle=_idle(facts, standing),
        mark=mark_of(facts),
        clock=f"{local:%A %d %B %H:%M %Z}",
        zones=site.zones,
        section_zone=shown,
        section_name=site.zone(shown).name,
        section_words=section_words(section, levels),
        drawings=[draw(section, levels, site.units, form) for form in (NARROW, WIDE)],
        known=levels.now_m is not None,
        drained=levels.drained,
        links=LINKS_TO_LOOK if facts.status is not None and facts.status.practice_over else LINKS,
        label=TO_DO.get(standing[0].state, "To do:"),
        after=len(levels.at()) > 1,
        looks={reach(e.flows_lph) for e in section.emitters},
        water=showing.water(facts),
        level_lost=_level_lost(facts),
        no_leak=_no_leak(facts),
        lasting=None if levels.drained else showing.lasting(facts),
        under_way="; ".join(_under_way(facts, intent) for intent in facts.under_way),
        none_next=_none_next(facts, standing),
        blocked=stands_still(standing),
        foreseen=_foreseen(facts),
        plan_day=facts.plan.day.isoformat() if facts.plan is not None else "",
        last=_last(facts),
        plants=plant_rows(facts),
        credits=_credits(facts),
        **_next(facts),
    )


def _idle(facts: Facts, standing: tuple[Standing, ...]) -> str:
    """What stands where nothing is wrong: there is nothing to do, unless an answer is still to come."""
    if all(s.state != "waiting" for s in standing):
        return "There is nothing to do."
    if facts.status is not None and facts.status.practice_over:
        return "What was asked in it before is answered no more."
    return "What was asked is still to be answered."


def _zone_shown(facts: Facts, asked: str | None) -> str:
    """The zone asked for, else one whose plants are not all reached, else that of the next run, else the
    first."""
    zones = [z.id for z in facts.site.zones]
    if asked in zones and asked is not None:
        return asked
    out = showing.zones_out_of_reach(facts)
    if out:
        return next(z.id for z in facts.site.zones if z.name in out)
    return facts.coming[0].zone if facts.coming and facts.coming[0].zone in zones else zones[0]


def levels_of(facts: Facts) -> Levels:
    status, model = facts.status, facts.made.model
    brim_m = model.stage.brim_level_m

    def kept(level_m: float | None) -> float | None:
        return None if level_m is None else min(max(level_m, 0.0), brim_m)

    return Levels(
        now_m=kept(facts.level_m),
        low_m=kept(status.level_low_m) if status is not None else None,
        high_m=kept(status.level_high_m) if status is not None else None,
        after_m=kept(facts.after_m),
        reserve_m=model.reserve_level_m,
        drained=status is not None and status.winter is not None,
    )


def section_words(section: LongSection, levels: Levels) -> str:
    """What the drawing says, in a sentence or two."""
    drawn = f"Heights are drawn {stretch(section, WIDE):.0f} times larger than lengths."
    if stretch(section, WIDE) < 1.5:
        drawn = "Heights and lengths are drawn alike."
    if levels.told_empty:
        return f"Drained, as told: the barrels are empty and no water reaches anybody. {drawn}"
    if levels.now_m is None:
        return f"The level is not known, so neither is whom the water reaches. {drawn}"
    looks = {p.name: reach(p.flows_lph) for p in section.plants}
    dry = [n for n, look in looks.items() if look == "dry"]
    dries = [n for n, look in looks.items() if look == "dries"]
    said = []
    if dry:
        said.append(f"Not reached at this level: {', '.join(dry)}.")
    if dries:
        said.append(f"Falls dry during the runs to come: {', '.join(dries)}.")
    if not said:
        count = {1: "The one plant of this zone is", 2: "Both plants of this zone are"}
        whom = count.get(len(looks), f"All {len(looks)} plants of this zone are")
        said.append(f"{whom} reached at this level.")
    return " ".join([*said, drawn])


def _next(facts: Facts) -> dict[str, Any]:
    if not facts.coming or facts.plan is None:
        return {"next": None, "later": []}
    first, *rest = facts.coming
    why = facts.why_next
    reasons = [r.text for r in facts.plan.reasons if r.code != "rationed"]  # that stands at the top
    reasons += [r.text for r in why.reasons if worth_saying(facts.site, r)] if why is not None else []
    following = [_run(facts, r) for r in rest]
    return {
        "next": _run(facts, first) | {"reasons": reasons, "day": facts.plan.day.isoformat()},
        "later": following,
    }


def _run(facts: Facts, run: PlannedRun) -> dict[str, Any]:
    start = run.start.astimezone(facts.site.place.timezone)
    word = day_word(facts, run.start)
    return {
        "zone": showing.zone_name(facts.site, run.zone),
        "start": f"{word} {start:%H:%M}",
        "run": show_duration(run.run_s),
        "volume": show_volume(run.volume_l, facts.site.units),
    }


def _under_way(facts: Facts, intent: Intent) -> str:
    """A zone that is open, or about to be, and until when its order lets it."""
    zone = facts.site.place.timezone
    until = intent.made_at + timedelta(milliseconds=intent.order.open_ms)
    name = showing.zone_name(facts.site, intent.zone)
    return f"{name} since {intent.made_at.astimezone(zone):%H:%M}, until about {until.astimezone(zone):%H:%M}"


def _none_next(facts: Facts, standing: tuple[Standing, ...]) -> str:
    if facts.status is not None and facts.status.winter is not None:
        return "Nothing until the garden is brought back."
    if facts.plan is None:
        return "No plan yet."
    if standing[0].state == "stopped":
        return "Nothing: watering is stopped."
    if facts.level_m is None:
        return "Nothing until the level is known."
    if facts.plan.day < facts.today:
        return "Nothing is planned yet for today."
    return "Nothing more today."


def _foreseen(facts: Facts) -> str:
    """Each zone's next watering after the plan, as far as it can be foreseen."""
    status = facts.status
    if status is None:
        return ""
    planned = {(r.zone, facts.plan.day if facts.plan else None) for r in facts.coming}
    runs = [r for r in status.coming if (r.zone, r.day) not in planned]
    site = facts.site
    return "; ".join(
        f"{showing.zone_name(site, r.zone)} on {r.day:%A %d %B}, about {show_volume(r.volume_l, site.units)}"
        for r in runs
    )


def _last(facts: Facts) -> dict[str, Any] | None:
    found = showing.delivered(facts)
    if found is None:
        return None
    return {
        "zone_name": showing.zone_name(facts.site, found.zone),
        "ended": found.ended,
        "wanted": found.wanted,
        "booked": found.booked,
        "between": found.between,
        "measured": found.measured,
        "note": found.note,
    }


def _level_lost(facts: Facts) -> str:
    """What was last known of the level, as the past that it is."""
    if facts.status is not None and facts.status.winter is not None:
        return "The garden is drained, as told; no sensor says how much is left."
    if facts.last_level_at is None:
        return "It was never read."
    at = facts.last_level_at.astimezone(facts.site.place.timezone)
    return f"It was last known on {at:%A %d %B %H:%M}, too long ago to go by."


def _no_leak(facts: Facts) -> str:
    """That none shows, or that it is not known; one that is known stands above, with what to do."""
    if facts.status is None or facts.status.winter is not None:
        return ""
    words, advice = leak_words(facts.site, facts.status, facts.today)
    return "" if advice else f"Leak: {words}"


def _credits(facts: Facts) -> str:
    status = facts.status
    if status is None or status.weather_source is None:
        return ""
    age = showing.age_words(facts.now, status.weather_fetched_at)
    return " ".join([f"{status.weather_source}, fetched {age}.", *status.weather_credits])


@router.get("/fresh", dependencies=[needs(Right.LOOK)])
def fresh(request: Request, asked: Annotated[int | None, Query(ge=0, le=2**53)] = None) -> JSONResponse:
    """A mark that changes when the page would: a page left open asks for it."""
    garden = parts_of(request).garden
    if asked is None:
        return JSONResponse({"mark": mark_of(garden.look())})
    with garden.store() as store:
        found = request_of(store, garden, asked)
        return JSONResponse({"mark": mark(fate_of(store, garden, found)) if found is not None else ""})


def mark_of(facts: Facts) -> str:
    """Of all that the first page says and that may change."""
    status, plan = facts.status, facts.plan
    known = (status.usable_l, status.level_at, status.last_at) if status is not None else ()
    made_at = plan.made_at if plan is not None else None
    return mark([s.sentence for s in standings(facts)], known, made_at, len(facts.under_way), facts.running)
