"""Every error that Fallinghead raises on purpose, in one tree.

    FallingheadError
    |-- UsageError            the person asked for something that cannot be
    |   `-- QuantityError     a quantity that cannot be read: its unit, its number
    |-- SiteFileError         the site file: all its problems at once
    |-- StoreError            the store cannot be read or written
    |-- LinkError             the broker or a message
    |   `-- UntrustedMessageError   signature or form are not the node's (scheduler.link.signing)
    |-- WeatherUnavailable    no forecast now; may be tried again
    |   `-- TransferFailed    the transfer itself (scheduler.weather.bounded_get)
    |-- WeatherFileError      a file of weather: all its problems at once (scheduler.weather.weather_file)
    `-- LockedError           another daemon holds this garden

``exit_code`` is what the commands end with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class FallingheadError(Exception):
    """What was read, where, and how to mend it."""

    exit_code = 1


class UsageError(FallingheadError):
    exit_code = 2


# What is said to be read where nothing is written; how a remedy begins that says so itself.
NOTHING = "nothing"
MISSING = "it is missing"


def read_words(read: str, remedy: str) -> str:
    """What was read and how to mend it; of what could not be read at all, the remedy alone."""
    if not read or (read == NOTHING and remedy.startswith(MISSING)):
        return remedy
    return f"nothing is given; {remedy}" if read == NOTHING else f"read {read}; {remedy}"


class QuantityError(UsageError):
    """What was written and how to mend it, apart, so that a site file can add its line."""

    def __init__(self, read: str, remedy: str) -> None:
        self.read = read
        self.remedy = remedy
        super().__init__(read_words(read, remedy))


@dataclass(frozen=True, slots=True)
class SiteProblem:
    """One mistake in a site file."""

    file: str
    line: int | None
    key: str
    read: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line is not None else self.file
        return f"{where}: {self.key}: {read_words(self.read, self.remedy)}"


class SiteFileError(FallingheadError):
    exit_code = 2

    def __init__(self, problems: Sequence[SiteProblem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class StoreError(FallingheadError):
    exit_code = 3


class LinkError(FallingheadError):
    exit_code = 4


class WeatherUnavailable(FallingheadError):
    """``text`` is for people; trying again later may help."""

    exit_code = 5


class LockedError(FallingheadError):
    exit_code = 6
