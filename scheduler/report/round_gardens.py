"""Which gardens a fitter looks after: site files, folders of them, and files of his own that list them.

A *round file* is TOML, one table a garden, paths beside the round file itself:

    [[garden]]
    site = "elm-lane/site.toml"
    store = "elm-lane/copy.db"     # a copy of its store, fetched from there; without it that of this machine
    note = "key under the blue pot"
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scheduler.service.places import site_store_path
from scheduler.site.errors import NOTHING, FallingheadError, SiteFileError, UsageError, read_words
from scheduler.site.examples import EXAMPLES, example_site
from scheduler.site.model import Site
from scheduler.site.reading import read_site

TABLE = "garden"
KEYS = ("site", "store", "note")
# Signs of a round file that a site file has not: its tables, and no place.
_NOT_A_ROUND = "place"
SITE_NAME = "site.toml"


@dataclass(frozen=True, slots=True)
class RoundGarden:
    """One garden of a round. ``site`` None: ``problem`` says why. ``copied``: the store was fetched from
    where it is written, so that it is as old as the fetching."""

    name: str
    file: str
    site: Site | None
    store: Path | None
    copied: bool = False
    note: str = ""
    problem: str = ""


def round_gardens(
    named: Sequence[str], environment: Mapping[str, str] | None = None
) -> tuple[RoundGarden, ...]:
    """The gardens of those paths and examples, each once, in their order; a garden whose file is wrong is
    among them, with its problem. UsageError: a path leads to no garden at all, or a round file is wrong."""
    found: dict[str, RoundGarden] = {}
    for name in named:
        for garden in _behind(name, environment):
            found.setdefault(_where(garden.file), garden)
    # One file that is gone hides no other garden; but where nothing is there at all, the name is a slip.
    if not any(g.site is not None or Path(g.file).exists() for g in found.values()):
        raise UsageError(
            read_words(
                ", ".join(named) or NOTHING,
                "there is no garden. Name site files, folders of them, or a round file",
            )
        )
    return tuple(found.values())


def _where(file: str) -> str:
    """One name for a file, however it was come to; the name of an example as it is."""
    return str(Path(file).resolve()) if Path(file).exists() else file


def is_round_file(path: Path) -> bool:
    """Whether it lists gardens, rather than being one."""
    return path.is_file() and _round_tables(path) is not None


def _behind(name: str, environment: Mapping[str, str] | None) -> Iterator[RoundGarden]:
    path = Path(name)
    if not path.exists() and name in EXAMPLES:
        site = example_site(name)
        yield RoundGarden(site.name, name, site, site_store_path(site.id, environment))
        return
    if path.is_dir():
        yield from _in_folder(path, environment)
        return
    listed = _round_tables(path)
    if listed is None:
        yield _garden(path, environment)
    else:
        yield from _listed(path, listed, environment)


def _in_folder(folder: Path, environment: Mapping[str, str] | None) -> Iterator[RoundGarden]:
    """What the round files in it list, for these know of copies and notes; then every other TOML file in it,
    and ``site.toml`` of every folder in it."""
    files = sorted({*folder.glob("*.toml"), *folder.glob(f"*/{SITE_NAME}")})
    rounds = {f: tables for f in files if f.parent == folder and (tables := _round_tables(f)) is not None}
    for file, tables in rounds.items():
        yield from _listed(file, tables, environment)
    sites = [f for f in files if f not in rounds]
    if not sites and not rounds:
        raise UsageError(f"read {folder}; there is no site file in it, nor a {SITE_NAME} in a folder of it")
    for file in sites:
        yield _garden(file, environment)


def _round_tables(path: Path) -> list[Any] | None:
    """The tables of a round file; None: it is none (a site file, or broken beyond telling)."""
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
        return None
    tables = document.get(TABLE)
    return tables if isinstance(tables, list) and _NOT_A_ROUND not in document else None


def _listed(
    path: Path, tables: Sequence[Any], environment: Mapping[str, str] | None
) -> Iterator[RoundGarden]:
    for number, table in enumerate(tables, 1):
        where = f"{path}, {TABLE} {number}"
        if not isinstance(table, dict) or not isinstance(table.get("site"), str):
            raise UsageError(f'{where}: read no site; write site = "FOLDER/site.toml"')
        for key, value in table.items():
            if key not in KEYS or not isinstance(value, str):
                raise UsageError(f"{where}: read {key} = {value!r}; there are {', '.join(KEYS)}, each a text")
        store = path.parent / table["store"] if "store" in table else None
        yield _garden(path.parent / table["site"], environment, store, table.get("note", ""))


def _garden(
    file: Path, environment: Mapping[str, str] | None, store: Path | None = None, note: str = ""
) -> RoundGarden:
    named = file.parent.name if file.name == SITE_NAME else file.stem
    try:
        site = read_site(file)
    except SiteFileError as error:
        first, *others = error.problems
        more = f" (and {len(others)} more: fallinghead check {file})" if others else ""
        return RoundGarden(named, str(file), None, None, note=note, problem=f"{first}{more}")
    except FallingheadError as error:
        return RoundGarden(named, str(file), None, None, note=note, problem=str(error))
    beside = store or file.with_name(f"{site.id}.db")
    if store is not None or beside.exists():
        return RoundGarden(site.name, str(file), site, beside, copied=True, note=note)
    return RoundGarden(site.name, str(file), site, site_store_path(site.id, environment), note=note)
