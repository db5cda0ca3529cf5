"""Who draws a garden's pictures: by a process beside this one where that is safe.

Begun before anything heavy is loaded, the copy loads what it needs to draw while this process works the
garden out; so this module loads nothing heavy either.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from scheduler.report.beside import Beside
from scheduler.site.errors import UsageError

if TYPE_CHECKING:
    from scheduler.planning.garden import GardenModel
    from scheduler.report.garden_pictures import Drawing, PictureForm
    from scheduler.survey.zone_evidence import ZoneEvidence


class Artist:
    """The pictures of one garden into a folder, which is made once there is something to draw into it.
    ``beside``: in a process of its own, let go at the end of a ``with``; None: as the machine allows."""

    def __init__(self, folder: Path, *, beside: bool | None = None) -> None:
        self._folder = folder
        self._beside: Beside[Sequence[Drawing], tuple[Path, ...]] = Beside(_draw, _load, fork=beside)

    def __enter__(self) -> Artist:
        return self

    def __exit__(self, *_: object) -> None:
        self._beside.close()

    def draw(
        self,
        model: GardenModel,
        form: PictureForm,
        of: str = "",
        proven: Mapping[str, ZoneEvidence] | None = None,
    ) -> Callable[[], tuple[Path, ...]]:
        """Work out what is to be drawn and hand it over, once; ``of``: which garden and day; ``proven``: as
        in ``garden_drawings``. Call what is given back to wait for the files, in a fixed order; UsageError
        when the folder cannot be made or they cannot be written."""
        from scheduler.report.garden_pictures import garden_drawings

        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._failed(error) from error
        self._beside.give(garden_drawings(model, self._folder, form, of, proven or {}))
        return self._wait

    def _wait(self) -> tuple[Path, ...]:
        try:
            return self._beside.result()
        except OSError as error:
            raise self._failed(error) from error

    def _failed(self, error: OSError) -> UsageError:
        return UsageError(f"the pictures cannot be written into {self._folder}: {error.strerror}")


def _load() -> None:
    import scheduler.report.garden_pictures  # noqa: F401 - for what it loads
    from scheduler.pictures.style import drawing

    with drawing():
        pass


def _draw(drawings: Sequence[Drawing]) -> tuple[Path, ...]:
    for each in drawings:
        each.draw(each.values, each.path, **each.look)
    return tuple(each.path for each in drawings)
