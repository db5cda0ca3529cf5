"""Why a run is longer or shorter than an earlier one of its zone: the change split into its causes.

From the reasons that were stored with both plans, not worked out afresh. Minutes are litres over flow, so
``ln(t2 / t1)`` is a sum of logarithms of ratios; each cause gets the minutes ``L(t2, t1) * ln(ratio)`` with
the logarithmic mean ``L = (t2 - t1) / ln(t2 / t1)``, and the parts add up to the whole change without a rest
(logarithmic mean Divisia index; Ang, Energy Policy 33, 2005, 867-871; named from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from scheduler.planning.plan import PlannedRun, Reason

CauseKind = Literal["head", "clogging", "weather", "days", "rest"]


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause and the seconds by which it lengthened (+) or shortened (-) the run."""

    kind: CauseKind
    change_s: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two runs of one zone. ``causes`` add up to ``after_s - before_s``."""

    before_s: float
    after_s: float
    causes: tuple[Cause, ...]


def compare_runs(before: PlannedRun, after: PlannedRun) -> Comparison | None:
    """Split the change of the run time; None where a plan did not keep what that needs.

    ``head``: less flow from a lower level. ``clogging``: the learned share of the drawn flow.
    ``weather``: use per day. ``days``: days since the last watering. ``rest``: rain, other plants due, cuts,
    and what one of the plans did not keep.
    """
    flows = [_figure(r, "run_time_from_level", "flow_lph") for r in (before, after)]
    if flows[0] is None or flows[1] is None or min(flows[0], flows[1], before.run_s, after.run_s) <= 0.0:
        return None
    learned = [_figure(r, "flow_corrected", "flow_factor") or 1.0 for r in (before, after)]
    clogging = math.log(learned[0] / learned[1])
    head = math.log(flows[0] / flows[1]) - clogging
    logs: list[tuple[CauseKind, float]] = [("head", head), ("clogging", clogging)]
    logs += _weather_and_days(before, after)
    total = math.log(after.run_s / before.run_s)
    logs.append(("rest", total - sum(x for _, x in logs)))
    mean_s = before.run_s if abs(total) < 1e-9 else (after.run_s - before.run_s) / total
    return Comparison(before.run_s, after.run_s, tuple(Cause(k, mean_s * x) for k, x in logs))


def _weather_and_days(before: PlannedRun, after: PlannedRun) -> list[tuple[CauseKind, float]]:
    """Logarithms of the ratios of use per day and of days; none where a plan did not keep them."""
    used = [_figure(r, "since_watered", "used_l") for r in (before, after)]
    days = [_figure(r, "since_watered", "days") for r in (before, after)]
    if used[0] is None or used[1] is None or days[0] is None or days[1] is None:
        return []
    if min(used[0], used[1], days[0], days[1]) <= 0.0:
        return []
    per_day = math.log((used[1] / days[1]) / (used[0] / days[0]))
    return [("weather", per_day), ("days", math.log(days[1] / days[0]))]


def _figure(run: PlannedRun, code: str, name: str) -> float | None:
    """A figure of the run's reasons; None where it is not there."""
    reason: Reason | None = next((r for r in run.reasons if r.code == code), None)
    value = dict(reason.figures).get(name) if reason is not None else None
    return value if isinstance(value, float) else None
