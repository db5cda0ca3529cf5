"""A command that looks loads little: on a small computer loading is most of the wait."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import date

import pytest

from scheduler.service.practised import MARK
from tests.support.lived_in import dry_summer

# What the daemon, the valves' link, the pictures and the tests at a garden need, and a look does not.
HEAVY = (
    "scheduler.service.daemon",
    "scheduler.link.client",
    "scheduler.survey.analysis",
    "scheduler.report.commissioning",
    "matplotlib",
    "paho.mqtt",
    "apscheduler",
)


@pytest.mark.parametrize("command", ["status", "report", "why", "ahead", "drift"])
def test_a_look_at_a_garden_without_tests_loads_no_daemon_and_no_test(
    lived_store: dict[str, str], command: str
) -> None:
    code = (
        f"import sys; sys.argv = ['fallinghead', {command!r}]\n"
        "from scheduler.cli.main import app\n"
        "try: app()\n"
        "finally: print('|'.join(m for m in " + repr(HEAVY) + " if m in sys.modules), file=sys.stderr)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code], env=lived_store, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr.strip().splitlines()[-1:] in ([], [""]), ran.stderr


@pytest.fixture(scope="module")
def lived_store(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Where a week of the dry summer was kept, as a practice that is over: the commands take its hour."""
    folder = tmp_path_factory.mktemp("loading")
    with dry_summer(folder, date(2012, 8, 3), date(2012, 8, 8), date(2012, 8, 25), 0.5) as made:
        (folder / MARK).write_text(made.now.isoformat(), encoding="utf-8")
    return dict(os.environ, FALLINGHEAD_STATE=str(folder), FALLINGHEAD_SITE="five-drums")
