"""Kinds of plant that a household adds to the catalogue in its site file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from scheduler.site.catalogue import KINDS, PlantKind
from scheduler.site.fields import did_you_mean, nearest
from scheduler.site.records import Record
from scheduler.site.sections import kind_hint, kind_named

COEFFICIENTS = ("kc_initial", "kc_mid", "kc_end")
STAGES = ("initial", "development", "mid", "late")
SECONDS_A_DAY = 86_400.0


def check_kinds(site: Record) -> None:
    """The kinds of the file's own, and whether each plant is of one that there is."""
    for kind in site.many("kind"):
        _check_kind(kind)
    own = {k.get("id") for k in site.many("kind")}
    for plant in site.many("plant"):
        word = plant.get("kind")
        if word is None or word in own or word in KINDS:
            continue
        other, guess = kind_named(word), nearest(word, [str(k) for k in own])
        if other is not None:
            plant.wrong("kind", f"write {other!r}: that is its name here")
        elif guess is not None:
            plant.wrong("kind", f"did you mean {guess!r}?")
        else:
            plant.wrong("kind", kind_hint(word) or did_you_mean(word, KINDS))


def _check_kind(kind: Record) -> None:
    name = kind.get("id")
    if name is not None and kind_named(name) is not None:
        kind.wrong("", f"the catalogue has {kind_named(name)!r} already: choose another name", read=name)
    like = KINDS.get(kind.get("like"))
    coefficients = [c for c in COEFFICIENTS if c in kind.given]
    if "plant_factor" in kind.given and coefficients:
        kind.wrong(coefficients[0], "give plant_factor or crop coefficients (kc_...), not both")
    if coefficients and "kc_mid" not in kind.given and like is not None and like.method == "factor":
        kind.wrong("kc_mid", f"it is missing: {like.key!r} has no crop coefficients to take it from")
    stages = [s for s in STAGES if s in kind.given]
    if stages and len(stages) < len(STAGES):
        missing = next(s for s in STAGES if s not in stages)
        kind.wrong(missing, 'it is missing: give all four stages, such as initial = "30 days"')
    if stages and "plant_factor" in kind.given:
        kind.wrong(stages[0], "stages belong to crop coefficients (kc_...), not to plant_factor")
    elif stages and not coefficients and like is not None and like.method == "factor":
        kind.wrong(stages[0], f"give kc_initial, kc_mid and kc_end too: {like.key!r} has none")


def own_kinds(site: Record) -> Mapping[str, PlantKind]:
    """The kinds of a file without problems, by name."""
    return {k.get("id"): _built(k) for k in site.many("kind")}


def _built(kind: Record) -> PlantKind:
    like = KINDS[kind.get("like")]
    name = kind.get("id")
    made = replace(
        like,
        key=name,
        names=(name,),
        root_depth_m=kind.get("root_depth") or like.root_depth_m,
        p=kind.get("readily_available") or like.p,
        young_woody=like.young_woody if kind.get("young_tree") is None else kind.get("young_tree"),
        source=f"site file; what it does not say as {like.key}: {like.source}",
    )
    if "plant_factor" in kind.given:
        return replace(
            made,
            method="factor",
            plant_factor=kind.get("plant_factor"),
            kc_ini=None,
            kc_mid=None,
            kc_end=None,
            stages_d=None,
        )
    if any(c in kind.given for c in COEFFICIENTS):
        mid = kind.get("kc_mid") or like.kc_mid
        made = replace(
            made,
            method="crop",
            plant_factor=None,
            kc_ini=kind.get("kc_initial") or like.kc_ini or mid,
            kc_mid=mid,
            kc_end=kind.get("kc_end") or like.kc_end or mid,
        )
    if "mid" in kind.given:
        initial, development, mid, late = (round(kind.get(s) / SECONDS_A_DAY) for s in STAGES)
        made = replace(made, stages_d=(initial, development, mid, late))
    return made
