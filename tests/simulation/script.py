"""What a seed draws: the garden, our own settings, which faults exist, and when each comes. A value, so that
a failing storm can be cut down to a few events and kept."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from tests.simulation.clockwork import DAY, HOUR, MINUTE, SECOND
from tests.simulation.sites import SEASON, SITE_NAMES

SEASON_DAYS = 112
GUST_MS = 11 * HOUR
PHASES = ("unheard", "at_rest", "ordered", "running", "unproven")
# Heard each few hours, a clock two in a hundred off would be minutes off: every order would come too late.
RATES, COARSE_RATES = (0.02, -0.02), (0.002, -0.002)
# While its valve is open a node reports so often.
REPORT_S, COARSE_REPORT_S = (10, 60, 180), (180, 300, 600)
# So often in a storm somebody asks for water.
WATERS, WATERS_COARSE = (10, 24), (3, 7)
# In a squall: so often water is asked for; so long an aimed fault lasts, and so soon it comes, at the most.
SQUALL_WATERINGS = 24
AIMED_LASTS_MS = 5 * MINUTE
AIMED_DELAY_MS = {
    "unheard": 300,
    "at_rest": 5 * MINUTE,
    "ordered": 300,
    "running": 20 * SECOND,
    "unproven": 5 * SECOND,
}
# So many squalls together aim every fault at every phase once.
SQUALLS = 12


@dataclass(frozen=True)
class Settings:
    garden: str = "pair"
    start_share: float = 0.8
    node_rate: float = 1.0  # its clock over true time
    tick_start: int = 0
    daily_open_ms_max: int = 6 * HOUR
    open_report_ms: int = 10 * SECOND
    shuts_without_power: bool = False
    days: int = 3
    coarse: bool = False  # node and daemon speak seldom (module ``pace``), so that many storms fit


@dataclass(frozen=True)
class Happening:
    """One fault or request. ``when``: "at", a phase of the controller, or "open"; its ``nth`` time, and
    ``delay_ms`` after it. ``lasts_ms`` and ``size`` mean what the kind says."""

    kind: str
    when: str
    nth: int
    delay_ms: int
    lasts_ms: int = 0
    size: float = 0.0


@dataclass(frozen=True)
class Storm:
    seed: int
    settings: Settings
    happenings: tuple[Happening, ...]
    noisy_ms: int = 2 * DAY
    quiet_ms: int = DAY

    def without(self, index: int) -> Storm:
        return replace(self, happenings=self.happenings[:index] + self.happenings[index + 1 :])


def draw_storm(
    seed: int, kinds: dict[str, tuple[int, int]], *, happenings: int = 60, coarse: bool = False
) -> Storm:
    """``kinds``: fault -> shortest and longest time it lasts, ms."""
    rng = random.Random(f"storm/{seed}")
    settings = _settings(rng, coarse=coarse)
    names = sorted(kinds)
    # Not every fault in every storm: what a fault hides, its absence shows.
    some = rng.sample(names, rng.randint(4, len(names)))
    drawn = [_happening(rng, rng.choice(some), kinds) for _ in range(20 if coarse else happenings)]
    drawn += [_water(rng) for _ in range(rng.randint(*(WATERS_COARSE if coarse else WATERS)))]
    return Storm(seed, settings, _in_order(drawn))


def _in_order(drawn: list[Happening]) -> tuple[Happening, ...]:
    return tuple(sorted(drawn, key=lambda h: (h.when, h.nth, h.delay_ms, h.kind)))


def draw_gust(seed: int, kinds: dict[str, tuple[int, int]]) -> Storm:
    """A short storm, as dense as a long one: half a day of faults, eight hours of quiet."""
    rng = random.Random(f"gust/{seed}")
    long = draw_storm(seed, kinds, happenings=50)
    settings = replace(long.settings, start_share=rng.choice((0.15, 0.3, 0.9)), days=1)
    drawn = tuple(_sooner(h) for h in long.happenings)
    return Storm(seed, settings, drawn, noisy_ms=GUST_MS, quiet_ms=8 * HOUR)


def draw_squall(seed: int, kinds: dict[str, tuple[int, int]]) -> Storm:
    """A short storm whose faults are aimed: each comes while the controller is in a certain phase. Of
    ``SQUALLS`` squalls in a row each has its share of the pairs of phase and fault; the next ones deal them
    anew."""
    rng = random.Random(f"squall/{seed}")
    settings = replace(
        _settings(rng), start_share=rng.choice((0.6, 0.95)), days=1, daily_open_ms_max=12 * HOUR
    )
    drawn = [_aimed(rng, phase, n, kind, kinds) for phase in PHASES for n, kind in _dealt(seed, phase, kinds)]
    drawn += [_water_at(rng, n * GUST_MS // SQUALL_WATERINGS) for n in range(SQUALL_WATERINGS)]
    # What brings the phases about that a garden in order hardly sees: a valve that jams, a service that dies.
    drawn += [
        Happening("jammed", "open", 2 * n + 1, rng.randint(1, 15) * SECOND, rng.randint(3, 6) * MINUTE, 0.5)
        for n in range(8)
    ]
    drawn += [Happening("killed", "at", 0, (n + 1) * GUST_MS // 7 + rng.randint(0, HOUR)) for n in range(5)]
    return Storm(seed, settings, _in_order(drawn), noisy_ms=GUST_MS, quiet_ms=8 * HOUR)


def _dealt(seed: int, phase: str, kinds: dict[str, tuple[int, int]]) -> list[tuple[int, str]]:
    """The faults that this squall aims at a phase, numbered from 1."""
    names = sorted(k for k in kinds if not k.startswith("person"))
    random.Random(f"deal/{phase}/{seed // SQUALLS}").shuffle(names)
    return list(enumerate(names[seed % SQUALLS :: SQUALLS], start=1))


def _aimed(
    rng: random.Random, phase: str, nth: int, kind: str, kinds: dict[str, tuple[int, int]]
) -> Happening:
    """Soon after a phase began, and over before the garden has lost all chance of another."""
    shortest, longest = kinds[kind]
    lasts_ms = _log_between(rng, shortest, min(longest, max(shortest, AIMED_LASTS_MS)))
    spread = {"running": 3, "ordered": 2}.get(phase, 1)  # more of these come than there are faults to aim
    return Happening(
        kind, phase, spread * nth, _log_between(rng, 1, AIMED_DELAY_MS[phase]), lasts_ms, rng.random()
    )


def draw_season(
    seed: int, kinds: dict[str, tuple[int, int]], *, days: int = SEASON_DAYS, coarse: bool = False
) -> Storm:
    """A whole summer and autumn, with the change of the clock, and the faults of such a time."""
    rng = random.Random(f"season/{seed}")
    settings = replace(_settings(rng, coarse=coarse), garden=SEASON, days=days, daily_open_ms_max=12 * HOUR)
    names = sorted(kinds)
    drawn = [_happening(rng, rng.choice(names), kinds) for _ in range(60)]
    spread = tuple(
        replace(h, delay_ms=rng.randint(0, (days - 2) * DAY))
        if h.when == "at"
        else replace(h, nth=h.nth * rng.randint(1, 15))
        for h in drawn
    )
    return Storm(seed, settings, spread, noisy_ms=(days - 1) * DAY, quiet_ms=DAY)


def _sooner(h: Happening) -> Happening:
    """The same within a gust's hours."""
    if h.when == "at":
        return replace(h, delay_ms=h.delay_ms * GUST_MS // (2 * DAY))
    return replace(h, nth=(h.nth + 1) // 2)


def _settings(rng: random.Random, *, coarse: bool = False) -> Settings:
    return Settings(
        garden=rng.choice(SITE_NAMES),
        start_share=rng.choice((0.3, 0.6, 0.95)),
        node_rate=1.0 + rng.choice((0.0, 0.0, 1e-4, -1e-4, *(COARSE_RATES if coarse else RATES))),
        tick_start=rng.choice((0, 0, (1 << 30) - rng.randint(1, 12 * HOUR))),
        daily_open_ms_max=rng.choice((20 * MINUTE, 1 * HOUR, 12 * HOUR)),
        open_report_ms=rng.choice(COARSE_REPORT_S if coarse else REPORT_S) * SECOND,
        shuts_without_power=rng.random() < 0.3,
        coarse=coarse,
    )


def _happening(rng: random.Random, kind: str, kinds: dict[str, tuple[int, int]]) -> Happening:
    shortest, longest = kinds[kind]
    lasts_ms = _log_between(rng, shortest, longest)
    when = rng.choices(
        ("open", "ordered", "running", "unproven", "unheard", "at_rest", "at"), (8, 3, 3, 1, 1, 1, 2)
    )[0]
    if when == "at":
        return Happening(kind, "at", 0, rng.randint(0, 2 * DAY), lasts_ms, rng.random())
    nth = rng.randint(1, 10) if when in ("open", "ordered", "running") else rng.randint(1, 4)
    delay_ms = rng.randint(0, 12 * SECOND) if when == "ordered" else _log_between(rng, 50, 20 * MINUTE)
    return Happening(kind, when, nth, delay_ms, lasts_ms, rng.random())


def _water(rng: random.Random) -> Happening:
    return _water_at(rng, rng.randint(1, 47 * 60) * MINUTE)


def _water_at(rng: random.Random, at_ms: int) -> Happening:
    return Happening("person_water", "at", 0, at_ms, 0, rng.random())


def _log_between(rng: random.Random, low: int, high: int) -> int:
    """Short and long ones alike."""
    if high <= low:
        return low
    return round(max(1, low) * (high / max(1, low)) ** rng.random())
