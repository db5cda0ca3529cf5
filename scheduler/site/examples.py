"""The example gardens that ship with the package, to look at and to start from."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files
from types import MappingProxyType

from scheduler.site.errors import UsageError
from scheduler.site.fields import did_you_mean
from scheduler.site.model import Site
from scheduler.site.reading import read_site_text

EXAMPLES: Mapping[str, str] = MappingProxyType(
    {
        "five-drums": "a household: five linked drums, tomatoes in pots, a fig, a hedge, a loop (metric)",
        "uneven-ground": "a fitter: drums and a box above a slope, three zones (US units)",
    }
)


def example_text(name: str) -> str:
    """The site file of an example. Raises UsageError for an unknown name."""
    if name not in EXAMPLES:
        raise UsageError(f'read "{name}"; there is no such example; {did_you_mean(name, EXAMPLES)}')
    return (files("scheduler.site") / "data" / "examples" / f"{name}.toml").read_text(encoding="utf-8")


def example_site(name: str) -> Site:
    """An example as a garden. Raises UsageError for an unknown name."""
    return read_site_text(example_text(name), f"{name}.toml")
