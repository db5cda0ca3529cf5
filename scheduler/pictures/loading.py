"""matplotlib loaded for flat pictures on paper only: without what serves its help pages and depth.

Loading is most of what a single picture costs. Everything put aside here is back in its place as soon as
matplotlib is loaded, so that whoever else uses it in this process misses nothing but the help texts.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from types import ModuleType
from typing import Any

_DEPTH = "mpl_toolkits.mplot3d"
# What gives each class its signature; where a version of matplotlib has no such name, nothing is saved.
_SIGNED = "_update_set_signature_and_docstring"


@contextmanager
def loading_for_paper() -> Iterator[None]:
    """While it loads, matplotlib works out a help text and a signature for each of its classes, and brings
    the axes of three dimensions: together more than a third of its loading time (measured here)."""
    if "matplotlib.figure" in sys.modules:
        yield
        return
    with _without_help_texts(), _without_depth():
        yield


@contextmanager
def _without_help_texts() -> Iterator[None]:
    from matplotlib import artist as artists

    written, signed = artists.kwdoc, vars(artists.Artist).get(_SIGNED)
    artists.kwdoc = lambda artist: ""  # noqa: ARG005 - called by its name
    if signed is not None:
        setattr(artists.Artist, _SIGNED, classmethod(_unsigned))
    try:
        yield
    finally:
        artists.kwdoc = written
        if signed is not None:
            setattr(artists.Artist, _SIGNED, signed)


def _unsigned(artist: type[Any]) -> None:
    """In the place of what gives a class its signature."""


@contextmanager
def _without_depth() -> Iterator[None]:
    """An empty stand-in for the module, under whose name nothing is drawn here."""
    if _DEPTH in sys.modules:
        yield
        return
    stand_in: Any = ModuleType(_DEPTH)
    stand_in.Axes3D = type("Axes3D", (), {"name": "3d"})
    sys.modules[_DEPTH] = stand_in
    try:
        yield
    finally:
        del sys.modules[_DEPTH]
