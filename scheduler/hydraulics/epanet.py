"""A zone, open alone at one level, as an input file of EPANET 2.3, the open format of pipe networks.

EPANET has one exponent for all its emitters. The commonest exponent of the zone becomes EPANET emitters, the
next one pressure-driven demands (Wagner's law with minimum pressure 0, which is ``k h^x``), both exact. Any
other exponent, and an emitter with an activation head, becomes an EPANET emitter whose coefficient gives
``k h^x`` at the head that was solved for this level: exact at this level only. (General-purpose valves with a
head-loss curve were tried: EPANET does not balance them where emitters fall dry.)

EPANET computes with g = 32.2 ft/s2 and rounds its minor-loss factor. So that it finds the flows of other
constants, lengths and loss coefficients in the file carry the ratio; the file says so.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from scheduler.hydraulics.constants import SI, Constants
from scheduler.hydraulics.network import Network
from scheduler.hydraulics.solve import LPH_PER_M3S, solve
from scheduler.hydraulics.water import kinematic_viscosity_m2s

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


def epanet_constants(temperature_c: float = 20.0) -> Constants:
    """The constants that EPANET computes with, for comparing the two."""
    return Constants(EPANET_GRAVITY_MS2, EPANET_MINOR_S2M, kinematic_viscosity_m2s(temperature_c))


@dataclass(slots=True)
class _Sections:
    junctions: list[str] = field(default_factory=list)
    reservoirs: list[str] = field(default_factory=list)
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
    flows = solve(network, level_m, temperature_c=temperature_c, constants=constants)
    for i, name in enumerate(names):
        _write_emitter(network, i, name, choice, (flows.head_m[i], flows.flow_lph[i]), out)
    viscosity = constants.viscosity_m2s or kinematic_viscosity_m2s(temperature_c)
    return _page(_remarks(network, names, constants, level_m, title), out, choice, viscosity)


def emitter_names(network: Network) -> tuple[str, ...]:
    """The node name of each emitter in the file: its id where EPANET can take it."""
    taken: set[str] = {"OUTLET"}
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
    network: Network, i: int, name: str, choice: _Choice, found: tuple[float, float], out: _Sections
) -> None:
    """An emitter at the end of a joint without loss; ``found`` is its head (m) and flow (L/h) at
    this level."""
    node, z = int(network.emitter_node[i]), float(network.elevation_m[i])
    k_lps, x = float(network.k_m3s[i]) * 1000.0, float(network.exponent[i])
    out.junctions.append(f" {name} {z!r} 0")
    out.pipes.append(f" j-{i} n-{node} {name} {_JOINT} Open")
    exact = network.activation_head_m[i] == 0.0
    if exact and x == choice.second:
        out.demands.append(f" {name} {k_lps * choice.required_m**x!r}")
        return
    if not exact or x != choice.first:
        head_m, flow_lph = found
        k_lps = float(flow_lph / LPH_PER_M3S * 1000.0 / head_m**choice.first) if flow_lph > 0.0 else 0.0
    if k_lps > 0.0:
        out.emitters.append(f" {name} {k_lps!r}")


def _remarks(
    network: Network, names: tuple[str, ...], constants: Constants, level_m: float, title: str
) -> list[str]:
    ratio = EPANET_GRAVITY_MS2 / constants.gravity_ms2
    lines = [
        "[TITLE]",
        title.replace("\n", " ")[:70],
        f"Water {level_m:.4g} m above the outlet, open alone",
        "",
    ]
    lines += [
        "; An emitter's flow is the demand of the node that bears its name.",
        "; EPANET has one emitter exponent: the commonest becomes emitters, the next pressure-driven",
        "; demands, any other (or an activation head) an emitter with a coefficient for this level only.",
    ]
    if abs(ratio - 1.0) > 1e-9:
        lines.append(
            f"; EPANET has g = {EPANET_GRAVITY_MS2:.6g} m/s2; for g = {constants.gravity_ms2:.6g} the"
            f" lengths here are {ratio:.7g} times those measured."
        )
    for name, own in zip(names, network.emitter_ids, strict=True):
        if name != own:
            lines.append("; " + f"{name} is emitter {own}".replace("\n", " "))
    return lines


def _page(remarks: list[str], out: _Sections, choice: _Choice, viscosity_m2s: float) -> str:
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
        "PIPES": out.pipes,
        "DEMANDS": out.demands,
        "EMITTERS": out.emitters,
        "OPTIONS": options,
        "TIMES": [" DURATION 0"],
    }
    lines = list(remarks)
    for name, rows in sections.items():
        if rows:
            lines += ["", f"[{name}]", *rows]
    return "\n".join([*lines, "", "[END]", ""])
