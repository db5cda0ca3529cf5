"""What all tests share: how Hypothesis draws, one thread for linear algebra as the command has it, and the
order in which several processes take the tests.

Hypothesis, without a profile of our own, would draw the same cases for ever wherever ``CI`` is set, and count
the time of one example, which a busy machine fails.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before any test imports numpy
settings.register_profile("house", deadline=None, print_blob=True, derandomize=False)
settings.load_profile("house")

# Files that one process would work at for minutes: each case of a fixture, or each test, goes where there is
# room. All other files stay whole, for their fixtures' sake.
BY_CASE = ("rehearsal/test_season_claims.py",)
BY_TEST = ("simulation/test_storms.py", "simulation/test_canaries.py", "simulation/test_scenarios.py")
LONG = ("slow", "end_to_end")


class LongFilesFirst(LoadFileScheduling):
    """Files whole, but for those named above."""

    def _split_scope(self, nodeid: str) -> str:
        file = nodeid.split("::", 1)[0]
        if file.endswith(BY_TEST):
            return nodeid
        return file + nodeid[nodeid.rfind("[") :] if file.endswith(BY_CASE) else file


def pytest_configure(config: pytest.Config) -> None:
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False  # it would take the files of most tests first


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> LongFilesFirst | None:
    return LongFilesFirst(config, log) if config.getvalue("dist") == "loadfile" else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with long tests first, so that no process ends with one while the others stand idle."""
    long: set[Path] = {i.path for i in items if any(i.get_closest_marker(m) for m in LONG)}
    items.sort(key=lambda i: i.path not in long)


@pytest.fixture(scope="session", autouse=True)
def _stores_made_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    from scheduler.store import opening
    from tests.support.stores_made_once import StoresMadeOnce

    with pytest.MonkeyPatch.context() as patched:
        folder = tmp_path_factory.mktemp("stores")
        patched.setattr(opening, "migrate_apart", StoresMadeOnce(opening.migrate_apart, folder))
        yield
