"""Reasons of a plan as data and as the sentence a person reads, in the site's display units."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

from scheduler.planning.choices import Way
from scheduler.planning.plan import Reason, ReasonCode
from scheduler.site.model import DAILY_OPENINGS, LONGEST_OPEN_S, DisplayUnits
from scheduler.site.showing import (
    show_duration,
    show_flow,
    show_level,
    show_rain,
    show_share,
    show_volume,
)

if TYPE_CHECKING:
    from scheduler.agronomy.need import PlantNeed
    from scheduler.planning.reach import OutOfReach
    from scheduler.planning.spending import Ration
    from scheduler.sensing.belief import LevelBelief

# A learned factor nearer to one than this is not worth a sentence.
FLOW_WORTH_SAYING = 0.01
# From here on a dose is called whole.
WHOLE_SHARE = 0.995
WAY_WORDS: Mapping[Way, str] = {
    "ranked": "first ranks first, then what is dearest to replace, where each litre spares most",
    "first-rank": "to the plants of the first rank alone",
    "alike": "to all plants alike, in full, until it is used up",
}


def run_time(
    units: DisplayUnits, *, level_m: float, flow_lph: float, run_s: float, volume_l: float, level_end_m: float
) -> Reason:
    text = (
        f"With the water {show_level(level_m, units)} above the outlet the zone gives about "
        f"{show_flow(flow_lph, units)}, so {show_volume(volume_l, units)} take {show_duration(run_s)}; "
        f"the level then stands at {show_level(level_end_m, units)}."
    )
    figures = (
        ("level_m", level_m),
        ("flow_lph", flow_lph),
        ("run_s", run_s),
        ("volume_l", volume_l),
        ("level_end_m", level_end_m),
    )
    return Reason("run_time_from_level", text, figures)


def prime_time(units: DisplayUnits, *, fill_s: float, missing_l: float) -> Reason:
    text = (
        f"The first {show_duration(fill_s)} fill the lines; without them the plants would miss "
        f"{show_volume(missing_l, units)}."
    )
    return Reason("prime_time", text, (("fill_s", fill_s), ("missing_l", missing_l)))


def flow_corrected(factor: float) -> Reason:
    text = f"Earlier runs showed that the zone gives {show_share(factor)} of what the drawing says."
    return Reason("flow_corrected", text, (("flow_factor", factor),))


def flow_doubt(units: DisplayUnits, *, volume_l: float, flow_sd: float) -> Reason:
    """``flow_sd``: one sd of the zone's flow, as a share of it; the span holds 95 times out of 100."""
    low_l, high_l = volume_l * max(0.0, 1.0 - 2.0 * flow_sd), volume_l * (1.0 + 2.0 * flow_sd)
    text = (
        f"The zone's flow is known to {show_share(2.0 * flow_sd)}: the run gives between "
        f"{show_volume(low_l, units)} and {show_volume(high_l, units)}."
    )
    return Reason("flow_doubt", text, (("flow_sd", flow_sd), ("low_l", low_l), ("high_l", high_l)))


def floor(units: DisplayUnits, code: ReasonCode, *, floor_m: float, margin_m: float, share: float) -> Reason:
    what = "the reserve begins" if code == "reserve" else "its highest or weakest emitter stops"
    text = f"Cut to {show_share(share)} of what was meant for it: "
    text += f"at {show_level(floor_m, units)} above the outlet {what}"
    if margin_m > 0.0:
        text += f", and the level is known to {show_level(margin_m, units)} only"
    return Reason(code, text + ".", (("floor_m", floor_m), ("margin_m", margin_m), ("share", share)))


def no_room(
    units: DisplayUnits,
    code: ReasonCode,
    *,
    level_m: float,
    floor_m: float,
    names: Sequence[str],
    without: str = "",
) -> Reason:
    """``names``: whom the water no longer reaches below the floor; ``without``: the zone without them."""
    stops = f"it no longer reaches {', '.join(names)}" if names else "its highest or weakest emitter stops"
    what = "the reserve begins" if code == "reserve" else stops
    text = (
        f"The water stands {show_level(level_m, units)} above the outlet, and at "
        f"{show_level(floor_m, units)} {what}: nothing can be given."
    )
    figures: tuple[tuple[str, float | str], ...] = (("level_m", level_m), ("floor_m", floor_m))
    if code == "worst_emitter" and names:
        figures = (*figures, ("plants", ", ".join(names)))
    return Reason(code, f"{text} {without}".rstrip(), figures)


def longest_open(longest_s: float, share: float) -> Reason:
    text = (
        f"Cut to {show_share(share)} of what was meant for it: a valve stays open for "
        f"{show_duration(longest_s)} at most (`longest_open` under `[node]` in the site file; "
        f"{show_duration(LONGEST_OPEN_S)} where it is not set)."
    )
    return Reason("longest_open", text, (("longest_open_s", longest_s), ("share", share)))


def longest_day(longest_s: float, share: float) -> Reason:
    text = (
        f"Cut to {show_share(share)} of what was meant for it: in all its openings of a day a valve stays "
        f"open for {show_duration(longest_s)} at most ({DAILY_OPENINGS} times `longest_open` under `[node]` "
        "in the site file, less its travel)."
    )
    return Reason("longest_day", text, (("longest_day_s", longest_s), ("share", share)))


def window_cut(room_s: float, share: float) -> Reason:
    text = (
        f"Cut to {show_share(share)} of what was meant for it: the watering `[[window]]` leaves "
        f"{show_duration(room_s)}."
    )
    return Reason("window", text, (("room_s", room_s), ("share", share)))


def no_window() -> Reason:
    return Reason("window", "No watering `[[window]]` is left on this day.")


def nothing_reaches(units: DisplayUnits, level_m: float) -> Reason:
    text = (
        f"With the water {show_level(level_m, units)} above the outlet nothing reaches the plants "
        "that want water."
    )
    return Reason("nothing_reaches", text, (("level_m", level_m),))


def out_of_reach(
    units: DisplayUnits, plant: OutOfReach, name: str, level_m: float, wanted_l: float
) -> Reason:
    """Of a due plant whose emitter lies so high that a low level gives it nothing or next to nothing."""
    figures: tuple[tuple[str, float | str], ...] = (
        ("plant", plant.plant),
        ("level_m", level_m),
        ("flow_lph", plant.flow_lph),
        ("zone_flow_lph", plant.zone_flow_lph),
        ("wanted_l", wanted_l),
    )
    by_hand = (
        f"It wants {show_volume(wanted_l, units)}: water it by hand, raise the water or lower its emitter."
    )
    if not math.isfinite(plant.dry_below_m):
        return Reason(
            "out_of_reach", f"{name} is not reached by the water even from full barrels. {by_hand}", figures
        )
    dry = f"dry below {show_level(plant.dry_below_m, units)}"
    if level_m <= plant.dry_below_m:
        text = f"{name} is not reached by the water at this level ({dry})."
    else:
        text = (
            f"{name} is hardly reached by the water at this level ({dry}): it gets about "
            f"{show_flow(plant.flow_lph, units)} of its zone's {show_flow(plant.zone_flow_lph, units)}, too "
            "small a share to water the zone for its sake."
        )
    return Reason("out_of_reach", f"{text} {by_hand}", (*figures, ("dry_below_m", plant.dry_below_m)))


def not_planted_yet(name: str, planted: date) -> Reason:
    return Reason(
        "not_due", f"{name} is not planted before {planted:%A %d %B %Y}.", (("planted", planted.isoformat()),)
    )


def none_planted_yet(first: date) -> Reason:
    text = f"None of its plants is planted before {first:%A %d %B %Y}."
    return Reason("not_due", text, (("planted", first.isoformat()),))


def nothing_wanted() -> Reason:
    return Reason("not_due", "No plant of this zone wants water.")


def not_due(units: DisplayUnits, nearest: PlantNeed | None, name: str, *, all_reached: bool = True) -> Reason:
    """``all_reached`` False: it speaks of the plants that the water reaches alone."""
    if nearest is None:
        return Reason("not_due", "No plant hangs on this zone.")
    which = "plant" if all_reached else "plant that the water reaches at this level"
    text = (
        f"No {which} is due. Nearest is {name}: {nearest.why}; "
        f"{show_volume(nearest.wanted_l, units)} would fill up."
    )
    return Reason("not_due", text, (("plant", nearest.plant), ("overdue", nearest.overdue)))


def due(units: DisplayUnits, need: PlantNeed, name: str) -> Reason:
    text = f"{name} is due: {need.why}; it wants {show_volume(need.wanted_l, units)}."
    return Reason("due", text, (("wanted_l", need.wanted_l), *need.figures))


def plant_not_due(units: DisplayUnits, need: PlantNeed, name: str) -> Reason:
    text = f"{name} is not due: {need.why}; {show_volume(need.wanted_l, units)} would fill up."
    return Reason("not_due", text, (("wanted_l", need.wanted_l), *need.figures))


def served_with_zone(name: str) -> Reason:
    return Reason("served_with_zone", f"{name} is not due itself; it gets water because its zone runs.")


def rain_expected(units: DisplayUnits, rain_mm: float, probability: float, source: str) -> Reason:
    text = (
        f"Put off for today: {show_rain(rain_mm, units)} of rain are forecast with "
        f"{show_share(probability)} ({source}), and no plant is far overdue."
    )
    return Reason("rain_expected", text, (("rain_mm", rain_mm), ("probability", probability)))


def rationed_out(units: DisplayUnits, *, share: float, least: float, usable_l: float) -> Reason:
    text = (
        f"Not watered: the {show_volume(usable_l, units)} that may still be used would give its first plants "
        f"{show_share(share)} of their need, and below {show_share(least)} a sip helps little."
    )
    return Reason("rationed", text, (("share", share), ("least_share", least), ("usable_l", usable_l)))


def rationed_behind(names: Sequence[str]) -> Reason:
    text = f"Not watered: there was not enough for {', '.join(names)}, which comes first."
    return Reason("rationed", text, (("before", ", ".join(names)),))


def rationed_run(share: float) -> Reason:
    text = f"There is not enough for all: this zone gets {show_share(share)} of its need."
    return Reason("rationed", text, (("share", share),))


def in_force(ration: Ration) -> Reason:
    """Why water is short, and how it is spent."""
    if ration.short_middle is not None:
        when = f"would run short about {ration.short_middle:%A %d %B}"
    else:
        when = f"would last the {ration.looked_d} days looked at in most cases, not in all"
    if ration.short_early is not None and ration.short_early != ration.short_middle:
        when += f" (in one of ten cases by {ration.short_early:%A %d %B})"
    text = (
        f"Water is short: if every plant got all it wants, the store {when}, so it goes "
        f"{WAY_WORDS[ration.way]}. To choose another way: fallinghead ration."
    )
    days = (("short_early", ration.short_early), ("short_middle", ration.short_middle))
    figures = tuple((name, day.isoformat()) for name, day in days if day is not None)
    return Reason("rationed", text, (("way", ration.way), *figures))


def kept_back(units: DisplayUnits, *, dose_l: float, names: Sequence[str], short: date | None) -> Reason:
    dose = show_volume(dose_l, units)
    for_whom = f"for {', '.join(names)}" if names else "for later days"
    until = f" until the store runs short about {short:%A %d %B}" if short is not None else ""
    text = (
        f"Not watered while water is short: its dose of {dose} is kept back {for_whom}, where it spares more "
        f"stress, counted by rank{until}. What it misses is noted, and not repaid in one flood."
    )
    return Reason("rationed", text, (("dose_l", dose_l), ("before", ", ".join(names))))


def missing_litres(units: DisplayUnits, missing_l: float) -> Reason:
    text = (
        f"About {show_volume(missing_l, units)} more in the barrels, from rain or a top-up, would water it "
        "today; so would a better rank (fallinghead rank)."
    )
    return Reason("would_change", text, (("missing_l", missing_l),))


def first_rank_only(rank: int) -> Reason:
    text = (
        f"Not watered while water is short: a person chose that only plants of rank {rank} get any "
        "(fallinghead ration)."
    )
    return Reason("rationed", text, (("rank", float(rank)),))


def rationed_dose(units: DisplayUnits, *, dose_l: float, share: float, run_l: float) -> Reason:
    """``share`` of the dose was meant for the zone; ``run_l`` is what the run gives of it."""
    part = "its" if share > WHOLE_SHARE else f"{show_share(share)} of its"
    text = (
        f"While water is short {part} dose of {show_volume(dose_l, units)} is meant for it, deep and rarely: "
        "what its due plants of the best rank take, no more than a usual one; the others get what comes with "
        "it"
    )
    if run_l < WHOLE_SHARE * share * dose_l:
        text += f". Today's run gives {show_volume(run_l, units)} of it"
    text += "."
    return Reason("rationed", text, (("dose_l", dose_l), ("share", share), ("run_l", run_l)))


def level_unknown(belief: LevelBelief) -> Reason:
    why = "; ".join(belief.why) or "no reading"
    return Reason("level_unknown", f"The level of the water is not known ({why}), so nothing is opened.")


def level_old(units: DisplayUnits, hours: float, level_m: float) -> Reason:
    text = (
        f"The level is not known now; planned with the lowest it can have been {hours:.0f} h ago, "
        f"{show_level(level_m, units)} above the outlet."
    )
    return Reason("level_unknown", text, (("age_h", hours), ("level_m", level_m)))


def level_doubtful(units: DisplayUnits, belief: LevelBelief, low_m: float) -> Reason:
    text = (
        f"The level is doubtful ({'; '.join(belief.why)}); nothing is drawn below what "
        f"{show_level(max(0.0, low_m), units)} above the outlet allows."
    )
    return Reason("level_doubtful", text, (("low_m", low_m),))


def held() -> Reason:
    return Reason("held", "A person asked to hold this zone.")


def since_watered(
    units: DisplayUnits, *, days: float, et0_mm_day: float, used_l: float, rain_l: float
) -> Reason:
    """What led up to a want: the days since the last watering, what was used on them, what rain brought."""
    brought = (
        f"rain brought {show_volume(rain_l, units)} of it" if rain_l > 0.0 else "no rain reached the roots"
    )
    text = (
        f"In the {days:.0f} day{'' if round(days) == 1 else 's'} since their last watering its plants used "
        f"{show_volume(used_l, units)} (reference evapotranspiration {show_rain(et0_mm_day, units)} a day); "
        f"{brought}."
    )
    figures = (("days", days), ("et0_mm_day", et0_mm_day), ("used_l", used_l), ("rain_l", rain_l))
    return Reason("since_watered", text, figures)


def rain_would_put_off(units: DisplayUnits, rain_mm: float, probability: float) -> Reason:
    text = (
        f"{show_rain(rain_mm, units)} of rain or more, forecast for today with {show_share(probability)} or "
        "more, would put it off."
    )
    return Reason("would_change", text, (("rain_mm", rain_mm), ("probability", probability)))


def falls_due(name: str, days: float) -> Reason:
    when = "tomorrow" if days < 1.5 else f"in about {days:.0f} days"
    text = f"At today's use {name} falls due {when}; heat brings it forward, rain puts it off."
    return Reason("would_change", text, (("days", days),))
