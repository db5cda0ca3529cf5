"""A zone, open alone at one level, as an input file of EPANET 2.3, the open format of pipe networks.

EPANET has one exponent for all its emitters. The commonest exponent of the zone becomes EPANET emitters, the
next one pressure-driven demands (Wagner's law with minimum pressure 0, which is ``k h^x``), both exact. Any
other exponent, and an emitter with an activation head, becomes an EPANET emitter whose coefficient gives
``k h^x`` at the head that was solved for this level: exact at this level only. (General-purpose valves with a
head-loss curve were tried: EPANET does not balance them where emitters fall dry.)

EPANET computes with g = 32.2 ft/s2 and rounds its minor-loss factor. So that it finds the flows of other
constants, lengths and loss coefficients in the file carry the ratio; the file says so.

A falling-head run is written with the barrels as one tank (their litres by level as its volume curve). There
an emitter of a third exponent is an EPANET emitter and a demand at one node, fitted over the run's heads.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.constants import SI, Constants
from scheduler.hydraulics.curve import zone_curve
from scheduler.hydraulics.drawdown import Drawdown
from scheduler.hydraulics.emitters import EmitterLaw
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.solve import LPH_PER_M3S, Flows, solve, solve_levels
from scheduler.hydraulics.water import kinematic_viscosity_m2s

Array = NDArray[np.float64]

# EPANET 2.3 source: g = 32.2 ft/s2, minor loss 0.02517 K Q^2 / D^4 in feet.
_FOOT_M = 0.3048
EPANET_GRAVITY_MS2 = 32.2 * _FOOT_M
EPANET_MINOR_S2M = 0.02517 / _FOOT_M
# Full demand is reached at this pressure, which must stand above every pressure in the zone.
_REQUIRED_MIN_M = 10.0
# A joint without loss: short and wide.
_JOINT = "0.01 50 0.0015 0"
# EPANET 2.3: the longest name, and what may not stand in one.
_NAME_LENGTH_MAX = 31
_NAME_FORBIDDEN = ' ;"\t\n'
# EPANET steps forward by Euler's rule: with steps of 10 s a run of two hours is off by 1e-5 of its litres
# (measured here against this package's own integral).
_STEP_MAX_S = 10
# Levels of the run at which the laws of a third exponent are fitted, and points of the curve of the links.
_FIT_LEVELS = 24
_LINK_POINTS = 60


def epanet_constants(temperature_c: float = 20.0) -> Constants:
    """The constants that EPANET computes with, for comparing the two."""
    return Constants(EPANET_GRAVITY_MS2, EPANET_MINOR_S2M, kinematic_viscosity_m2s(temperature_c))


@dataclass(slots=True)
class _Sections:
    junctions: list[str] = field(default_factory=list)
    reservoirs: list[str] = field(default_factory=list)
    tanks: list[str] = field(default_factory=list)
    valves: list[str] = field(default_factory=list)
    curves: list[str] = field(default_factory=list)
    pipes: list[str] = field(default_factory=list)
    demands: list[str] = field(default_factory=list)
    emitters: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Choice:
    """Which exponents are exact, and the pressure at which a demand is met in full."""

    first: float
    second: float | None
    required_m: float


def epanet_input(
    network: Network,
    level_m: float,
    title: str = "",
    *,
    temperature_c: float = 20.0,
    constants: Constants = SI,
) -> str:
    """The zone as EPANET input text (L/s, m, mm).

    The node ``OUTLET`` is the water at the outlet. Every emitter is a node named by its id
    (``E0``, ``E1``.. where
    the id cannot be a name there), and its flow is the demand that EPANET reports for that node,
    whichever way
    it is written. ``constants`` are those that the flows shall be for.
    """
    names = emitter_names(network)
    out = _Sections()
    choice = _choose(network, level_m)
    _write_pipes(network, constants, out)
    out.reservoirs.append(f" OUTLET {level_m!r}")

    @cache
    def found() -> Flows:
        return solve(network, level_m, temperature_c=temperature_c, constants=constants)

    for i, name in enumerate(names):
        _write_emitter(network, i, name, choice, found, out)
    viscosity = constants.viscosity_m2s or kinematic_viscosity_m2s(temperature_c)
    about = f"Water {level_m:.4g} m above the outlet, open alone"
    remarks = [*_heading(title, about), *_EXPONENTS, *_remarks(network, names, constants)]
    return _page(remarks, out, choice, viscosity, [" DURATION 0"])


def epanet_run_input(
    network: Network,
    stage_levels_m: Array,
    stage_volumes_l: Array,
    level_m: float,
    run_s: int,
    title: str = "",
    *,
    outlet_offset_m: Callable[[float], float] | None = None,
    temperature_c: float = 20.0,
) -> str:
    """A run of the zone, open alone from ``level_m`` for ``run_s`` whole seconds, as EPANET input text.

    The stage table and ``outlet_offset_m`` are those of ``Drawdown``. The barrels are one tank, named
    ``OUTLET``; with an offset it is ``BARRELS``, and a general-purpose valve ``LINKS`` with the
    offset as its loss leads to ``OUTLET``. Filling of the lines is left out: they are full from
    the first second. Emitters that stand dry from the start are closed. ValueError for a run of no time, or a
    level that is not in the table.
    """
    levels, volumes = np.asarray(stage_levels_m, dtype=float), np.asarray(stage_volumes_l, dtype=float)
    if run_s < 1 or run_s != int(run_s) or not levels[0] < level_m <= levels[-1]:
        raise ValueError(
            f"no run of {run_s} s from {level_m} m: the barrels hold {levels[0]} to {levels[-1]} m"
        )
    curve = zone_curve(network, float(levels[-1]), temperature_c=temperature_c)
    drawn = Drawdown(curve, levels, volumes, outlet_offset_m=outlet_offset_m).run(level_m, float(run_s))
    names = emitter_names(network)
    out = _Sections()
    _write_pipes(network, SI, out)
    _write_tank(levels, volumes, level_m, outlet_offset_m, curve.total_lph(level_m), out)
    heads = solve_levels(
        network, np.linspace(max(drawn.level_end_m, 0.0), level_m, _FIT_LEVELS), temperature_c=temperature_c
    ).head_m
    choice = _outer_choice(network, level_m)
    worst = max(_write_fitted(network, i, n, choice, heads[:, i], out) for i, n in enumerate(names))
    step_s = next(s for s in range(min(_STEP_MAX_S, int(run_s)), 0, -1) if run_s % s == 0)
    about = f"From {level_m:.4g} m above the outlet, open alone for {run_s} s"
    remarks = [*_heading(title, about), *_RUN, *_remarks(network, names, SI)]
    if worst > 0.0:
        remarks.append(f"; Fitted laws miss theirs by up to {100.0 * worst:.2g} % at the heads of this run.")
    times = [f" DURATION {_clock(int(run_s))}", f" HYDRAULIC TIMESTEP {_clock(step_s)}"]
    times.append(f" REPORT TIMESTEP {_clock(step_s * max(1, 600 // step_s))}")
    return _page(remarks, out, choice, kinematic_viscosity_m2s(temperature_c), times)


def _clock(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def _write_tank(
    levels_m: Array,
    volumes_l: Array,
    level_m: float,
    offset_m: Callable[[float], float] | None,
    most_lph: float,
    out: _Sections,
) -> None:
    """The barrels as one tank and, where they lose head between them, the valve that stands for it."""
    name = "OUTLET" if offset_m is None else "BARRELS"
    low, high = float(levels_m[0]), float(levels_m[-1])
    out.tanks.append(f" {name} 0 {level_m!r} {low!r} {high!r} 1 0 STAGE")
    out.curves += [
        f" STAGE {a!r} {v / 1000.0!r}" for a, v in zip(levels_m.tolist(), volumes_l.tolist(), strict=True)
    ]
    if offset_m is not None:
        out.junctions.append(" OUTLET 0 0")
        out.valves.append(" LINKS BARRELS OUTLET 50 GPV LOST 0")
        for flow in np.linspace(0.0, 1.1 * most_lph, _LINK_POINTS).tolist():
            out.curves.append(f" LOST {flow / 3600.0!r} {float(offset_m(flow))!r}")


def _outer_choice(network: Network, level_m: float) -> _Choice:
    """The two commonest exponents where there are no more, else the lowest and the highest."""
    choice = _choose(network, level_m)
    plain = sorted(set(network.exponent[network.activation_head_m == 0.0].tolist()))
    return choice if len(plain) < 3 else replace(choice, first=plain[0], second=plain[-1])


def _write_fitted(
    network: Network, i: int, name: str, choice: _Choice, heads_m: Array, out: _Sections
) -> float:
    """An emitter for the whole run; returns the worst miss of its law, as a share."""
    law = EmitterLaw.of(
        network.k_m3s[i : i + 1], network.exponent[i : i + 1], network.activation_head_m[i : i + 1]
    )
    flows = law.flow(heads_m[:, None])[:, 0] * 1000.0
    k_lps, x = float(network.k_m3s[i]) * 1000.0, float(network.exponent[i])
    first, second, miss = 0.0, 0.0, 0.0
    if flows[-1] > 0.0 and network.activation_head_m[i] == 0.0 and x in (choice.first, choice.second):
        first, second = (k_lps, 0.0) if x == choice.first else (0.0, k_lps)
    elif flows[-1] > 0.0:
        first, second, miss = _two_terms(heads_m[flows > 0.0], flows[flows > 0.0], choice)
    out.junctions.append(f" {name} {float(network.elevation_m[i])!r} 0")
    out.pipes.append(f" j-{i} n-{int(network.emitter_node[i])} {name} {_JOINT} Open")
    if first > 0.0:
        out.emitters.append(f" {name} {first!r}")
    if second > 0.0 and choice.second is not None:
        out.demands.append(f" {name} {second * choice.required_m**choice.second!r}")
    return miss


def _two_terms(heads_m: Array, flows: Array, choice: _Choice) -> tuple[float, float, float]:
    """a, b >= 0 of a h^x1 + b h^x2 nearest to the flows (least squares of the shares); worst miss."""
    powers = [choice.first] if choice.second is None else [choice.first, choice.second]
    terms = np.stack([heads_m**x / flows for x in powers], axis=1)
    fits: list[Array] = [np.zeros(len(powers)) for _ in powers]
    for j, alone in enumerate(fits):
        alone[j] = terms[:, j].sum() / (terms[:, j] ** 2).sum()
    both = np.asarray(np.linalg.lstsq(terms, np.ones(len(flows)), rcond=None)[0], dtype=np.float64)
    fits += [both] if (both >= 0.0).all() else []
    best = min(fits, key=lambda f: float(((terms @ f - 1.0) ** 2).sum()))
    miss = float(np.abs(terms @ best - 1.0).max())
    return float(best[0]), float(best[1]) if len(best) > 1 else 0.0, miss


def emitter_names(network: Network) -> tuple[str, ...]:
    """The node name of each emitter in the file: its id where EPANET can take it."""
    taken: set[str] = {"OUTLET", "BARRELS"}
    names = []
    for i, name in enumerate(network.emitter_ids):
        fits = 0 < len(name) <= _NAME_LENGTH_MAX and not set(name) & set(_NAME_FORBIDDEN) and name.isascii()
        chosen = name if fits and name not in taken and not name.startswith("n-") else f"E{i}"
        while chosen in taken:
            chosen += "x"
        taken.add(chosen)
        names.append(chosen)
    return tuple(names)


def _choose(network: Network, level_m: float) -> _Choice:
    plain = network.exponent[network.activation_head_m == 0.0]
    common = [float(x) for x, _ in Counter(plain.tolist()).most_common(2)]
    return _Choice(
        first=common[0] if common else 0.5,
        second=common[1] if len(common) > 1 else None,
        required_m=max(_REQUIRED_MIN_M, 2.0 * (level_m - float(network.node_elevation_m.min()))),
    )


def _write_pipes(network: Network, constants: Constants, out: _Sections) -> None:
    length = network.pipe_length_m * (EPANET_GRAVITY_MS2 / constants.gravity_ms2)
    loss_k = network.pipe_loss_k * (constants.minor_loss_s2m / EPANET_MINOR_S2M)
    for node, z in enumerate(network.node_elevation_m.tolist()):
        if node:
            out.junctions.append(f" n-{node} {z!r} 0")
    ends = ["OUTLET" if n == 0 else f"n-{n}" for n in range(len(network.node_elevation_m))]
    for p in range(len(length)):
        out.pipes.append(
            f" p-{p} {ends[network.pipe_from[p]]} {ends[network.pipe_to[p]]} {float(length[p])!r}"
            f" {float(network.pipe_bore_m[p]) * 1000.0!r} {float(network.pipe_roughness_m[p]) * 1000.0!r}"
            f" {float(loss_k[p])!r} Open"
        )


def _write_emitter(
    network: Network, i: int, name: str, choice: _Choice, found: Callable[[], Flows], out: _Sections
) -> None:
    """An emitter at the end of a joint without loss; ``found`` solves the zone at this level, where the
    emitter's own law cannot be written."""
    node, z = int(network.emitter_node[i]), float(network.elevation_m[i])
    k_lps, x = float(network.k_m3s[i]) * 1000.0, float(network.exponent[i])
    out.junctions.append(f" {name} {z!r} 0")
    out.pipes.append(f" j-{i} n-{node} {name} {_JOINT} Open")
    exact = network.activation_head_m[i] == 0.0
    if exact and x == choice.second:
        out.demands.append(f" {name} {k_lps * choice.required_m**x!r}")
        return
    if not exact or x != choice.first:
        head_m, flow_lph = float(found().head_m[i]), float(found().flow_lph[i])
        k_lps = float(flow_lph / LPH_PER_M3S * 1000.0 / head_m**choice.first) if flow_lph > 0.0 else 0.0
    if k_lps > 0.0:
        out.emitters.append(f" {name} {k_lps!r}")


_EXPONENTS = (
    "; An emitter's flow is the demand of the node that bears its name.",
    "; EPANET has one emitter exponent: the commonest becomes emitters, the next pressure-driven",
    "; demands, any other (or an activation head) an emitter with a coefficient for this level only.",
)
_RUN = (
    "; An emitter's flow is the demand of the node that bears its name; the tank holds what stands",
    "; above the outlet. The lines are full from the start. EPANET has one emitter exponent: one",
    "; becomes emitters, another pressure-driven demands, any other (or an activation head) is fitted",
    "; by both over the heads of this run. Emitters that stand dry from the start are closed.",
)


def _heading(title: str, about: str) -> list[str]:
    return ["[TITLE]", title.replace("\n", " ")[:70], about, ""]


def _remarks(network: Network, names: tuple[str, ...], constants: Constants) -> list[str]:
    ratio = EPANET_GRAVITY_MS2 / constants.gravity_ms2
    lines: list[str] = []
    if abs(ratio - 1.0) > 1e-9:
        lines.append(
            f"; EPANET has g = {EPANET_GRAVITY_MS2:.6g} m/s2; for g = {constants.gravity_ms2:.6g} the"
            f" lengths here are {ratio:.7g} times those measured."
        )
    for name, own in zip(names, network.emitter_ids, strict=True):
        if name != own:
            lines.append("; " + f"{name} is emitter {own}".replace("\n", " "))
    return lines


def _page(remarks: list[str], out: _Sections, choice: _Choice, viscosity_m2s: float, times: list[str]) -> str:
    options = [
        " UNITS LPS",
        " HEADLOSS D-W",
        " PRESSURE METERS",
        f" VISCOSITY {viscosity_m2s!r}",
        f" EMITTER EXPONENT {choice.first!r}",
        " BACKFLOW ALLOWED NO",
        " TRIALS 200",
        " ACCURACY 1e-5",
        " HEADERROR 1e-7",
        " FLOWCHANGE 1e-8",
    ]
    if choice.second is not None:
        options += [
            " DEMAND MODEL PDA",
            " MINIMUM PRESSURE 0",
            f" REQUIRED PRESSURE {choice.required_m!r}",
            f" PRESSURE EXPONENT {choice.second!r}",
        ]
    sections = {
        "JUNCTIONS": out.junctions,
        "RESERVOIRS": out.reservoirs,
        "TANKS": out.tanks,
        "PIPES": out.pipes,
        "VALVES": out.valves,
        "CURVES": out.curves,
        "DEMANDS": out.demands,
        "EMITTERS": out.emitters,
        "OPTIONS": options,
        "TIMES": times,
    }
    lines = list(remarks)
    for name, rows in sections.items():
        if rows:
            lines += ["", f"[{name}]", *rows]
    return "\n".join([*lines, "", "[END]", ""])
