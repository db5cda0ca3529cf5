"""The real MicroPython program."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from tests.support.broker import find_program

FIRMWARE = Path(__file__).parents[2] / "firmware_stub"


def micropython() -> str:
    return find_program("micropython", str(Path(sys.executable).parent / "micropython"))


def run_micropython(
    script: Path, *arguments: str, options: Sequence[str] = (), timeout_s: float = 120.0
) -> subprocess.CompletedProcess[str]:
    """Run a script with the firmware's files on its path; output is captured."""
    return subprocess.run(
        [micropython(), *options, str(script), *arguments],
        env={"MICROPYPATH": f".frozen:{FIRMWARE}", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
