"""What people choose of the spending: the way, other ranks than the site file's, the reserve released."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

from scheduler.planning.garden import GardenModel
from scheduler.site.errors import UsageError

Way = Literal["ranked", "first-rank", "alike"]
WAYS: tuple[Way, ...] = get_args(Way)
# What runs if nobody answers.
DEFAULT_WAY: Way = "ranked"
# As in the site file.
RANK_LEAST, RANK_MOST = 1, 99


@dataclass(frozen=True, slots=True)
class Choices:
    """``ranks`` by plant, where a person set another than the site file's."""

    way: Way = DEFAULT_WAY
    ranks: Mapping[str, int] = field(default_factory=dict)
    reserve_released: bool = False


def known_way(name: str) -> Way:
    """The way of that name. UsageError where there is none."""
    for way in WAYS:
        if way == name:
            return way
    raise UsageError(f"there is no way {name!r} to spend a store; there are {', '.join(WAYS)}")


def as_chosen(model: GardenModel, choices: Choices) -> GardenModel:
    """The garden to plan with: the ranks as chosen, and no reserve once a person released it.

    Hydraulics do not depend on either, so nothing is solved anew.
    """
    if choices.reserve_released:
        model = replace(model, reserve_level_m=0.0)
    site = model.site
    ranks = {p.id: choices.ranks.get(p.id, p.rank) for p in site.plants}
    if choices.way == "alike":
        ranks = dict.fromkeys(ranks, RANK_LEAST)
    if all(ranks[p.id] == p.rank for p in site.plants):
        return model
    plants = tuple(replace(p, rank=ranks[p.id]) for p in site.plants)
    return replace(model, site=replace(site, plants=plants))
