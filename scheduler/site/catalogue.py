"""Plant kinds and soils, as published, with the source of each row.

The numbers stand in CSV files beside this module: copies of FAO-56 Tables 11, 12, 17, 19 and 22 (Allen,
Pereira, Raes, Smith 1998) and a table of garden plants that points into them or carries a plant factor.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal

Method = Literal["crop", "factor"]


@dataclass(frozen=True, slots=True)
class PlantKind:
    """A kind of plant.

    ``method`` "crop": crop coefficients of FAO-56 by growth stage, or ``kc_mid`` throughout where Table 11
    gives no stages. "factor": one share of the reference evapotranspiration all season.
    ``root_depth_m`` is the smaller depth of FAO-56 Table 22, the one meant for scheduling. ``p`` is the share
    of the available water that the plant may use before it suffers, at about 5 mm/day.
    """

    key: str
    names: tuple[str, ...]
    method: Method
    kc_ini: float | None
    kc_mid: float | None
    kc_end: float | None
    stages_d: tuple[int, int, int, int] | None  # days: initial, development, mid, late
    plant_factor: float | None
    root_depth_m: float
    p: float
    young_woody: bool  # a tree or shrub that is watered by age until it is established
    source: str


@dataclass(frozen=True, slots=True)
class Soil:
    """A soil class: middle of the ranges of FAO-56 Table 19, m3 of water in m3 of soil."""

    key: str
    names: tuple[str, ...]
    fc: float
    wp: float
    intake_mm_h: float  # steady intake rate; the safe, lower end
    source: str


def _rows(name: str) -> Iterator[dict[str, str]]:
    text = (files("scheduler.site") / "data" / name).read_text(encoding="utf-8")
    yield from csv.DictReader(text.splitlines())


def _number(text: str) -> float | None:
    return float(text) if text else None


def _names(row: dict[str, str]) -> tuple[str, ...]:
    return tuple(row["names"].split(";"))


def _stages(wanted: str, table: list[dict[str, str]]) -> tuple[int, int, int, int] | None:
    if not wanted:
        return None
    crop, region, planted = wanted.split("|")
    for row in table:
        if (row["crop"], row["region"], row["plant_date"]) == (crop, region, planted):
            return int(row["l_ini_d"]), int(row["l_dev_d"]), int(row["l_mid_d"]), int(row["l_late_d"])
    raise KeyError(f"no stage lengths for {wanted!r}")


def _crop_source(crop: dict[str, str], row: dict[str, str]) -> str:
    parts = [f"FAO-56 Tables 12 ({crop['table12_checked']} copy) and 22 ({crop['table22_checked']} copy)"]
    parts[0] += f", row {row['fao56_crop']!r}"
    if row["fao56_stages"]:
        parts.append(f"stages of Table 11 (package copy), row {row['fao56_stages'].replace('|', ', ')}")
    parts += [note for note in (crop["note"], row["source_note"]) if note]
    return "; ".join(parts)


def _crop_kind(
    row: dict[str, str], crops: dict[str, dict[str, str]], stages: list[dict[str, str]]
) -> PlantKind:
    crop = crops[row["fao56_crop"]]
    return PlantKind(
        key=row["key"],
        names=_names(row),
        method="crop",
        kc_ini=float(crop["kc_ini"]),
        kc_mid=float(crop["kc_mid"]),
        kc_end=float(crop["kc_end"]),
        stages_d=_stages(row["fao56_stages"], stages),
        plant_factor=None,
        root_depth_m=float(crop["zr_min_m"]),
        p=float(crop["p"]),
        young_woody=row["young_woody"] == "1",
        source=_crop_source(crop, row),
    )


def _factor_kind(row: dict[str, str]) -> PlantKind:
    return PlantKind(
        key=row["key"],
        names=_names(row),
        method="factor",
        kc_ini=None,
        kc_mid=None,
        kc_end=None,
        stages_d=None,
        plant_factor=_number(row["plant_factor"]),
        root_depth_m=float(row["root_depth_m"]),
        p=float(row["p"]),
        young_woody=row["young_woody"] == "1",
        source=row["source_note"],
    )


@cache
def plant_kinds() -> Mapping[str, PlantKind]:
    """Every kind by its key."""
    crops = {row["crop"]: row for row in _rows("fao56_crops.csv")}
    stages = list(_rows("fao56_stage_lengths.csv"))
    kinds = (
        _crop_kind(row, crops, stages) if row["method"] == "crop" else _factor_kind(row)
        for row in _rows("plant_kinds.csv")
    )
    return MappingProxyType({kind.key: kind for kind in kinds})


@cache
def soils() -> Mapping[str, Soil]:
    """Every soil class by its key."""
    table = {row["soil"]: row for row in _rows("fao56_soils.csv")}
    found = {}
    for row in _rows("soil_kinds.csv"):
        fao = table[row["fao56_soil"]]
        found[row["key"]] = Soil(
            key=row["key"],
            names=_names(row),
            fc=_middle(fao["fc_min"], fao["fc_max"]),
            wp=_middle(fao["wp_min"], fao["wp_max"]),
            intake_mm_h=float(row["intake_mm_h"]),
            source=f"FAO-56 Table 19, {row['fao56_soil']}, middle; intake: {row['intake_source']}",
        )
    return MappingProxyType(found)


def _middle(low: str, high: str) -> float:
    return round((float(low) + float(high)) / 2, 4)


KINDS: Mapping[str, PlantKind] = plant_kinds()
SOILS: Mapping[str, Soil] = soils()


def search_kinds(word: str) -> tuple[PlantKind, ...]:
    """The kinds of which a name contains the word, best match first; empty when there is none."""
    wanted = word.strip().lower()
    found = [k for k in KINDS.values() if wanted in k.key or any(wanted in n for n in k.names)]
    return tuple(sorted(found, key=lambda k: (wanted not in (k.key, *k.names), k.key)))
