"""The plant catalogue as people search it."""

from __future__ import annotations

from scheduler.report.answers import KindAnswer, KindsAnswer
from scheduler.report.plan import Columns, Rows
from scheduler.site.catalogue import KINDS, PlantKind, search_kinds
from scheduler.site.errors import UsageError
from scheduler.site.model import DisplayUnits
from scheduler.site.showing import show_share, show_whole_length

COLUMNS: Columns = [
    ("kind", "left"),
    ("also called", "left"),
    ("use at its thirstiest", "right"),
    ("roots", "right"),
    ("source", "left"),
]


def kinds_answer(word: str | None) -> KindsAnswer:
    """The kinds with that word in a name, best match first, or all; UsageError when there is none."""
    found = search_kinds(word) if word is not None else tuple(KINDS.values())
    if not found:
        raise UsageError(
            f"no kind of plant is called {word!r}; `fallinghead plants` lists them all. For one that is not "
            "there write a table [kind.NAME] in the site file: like = the kind nearest, and what differs "
            "(plant_factor or kc_mid, root_depth, readily_available)"
        )
    return KindsAnswer(kinds=[_kind(k) for k in found])


def _kind(kind: PlantKind) -> KindAnswer:
    return KindAnswer(
        key=kind.key,
        names=[n for n in kind.names if n != kind.key],
        use_share=kind.kc_mid if kind.method == "crop" else kind.plant_factor,
        root_depth_m=kind.root_depth_m,
        readily_available_share=kind.p,
        young_woody=kind.young_woody,
        source=kind.source,
    )


def kinds_rows(answer: KindsAnswer, units: DisplayUnits, *, sources: bool) -> tuple[Columns, Rows]:
    """One row a kind; the share is of the reference evapotranspiration of that day."""
    rows = [
        [
            k.key,
            ", ".join(k.names),
            show_share(k.use_share) if k.use_share is not None else "-",
            show_whole_length(k.root_depth_m, units),
            k.source,
        ]
        for k in answer.kinds
    ]
    return (COLUMNS, rows) if sources else (COLUMNS[:-1], [row[:-1] for row in rows])
