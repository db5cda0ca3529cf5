"""The unit that runs the page: systemd takes it, and it gives the page no more than it needs."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "fallinghead-page.service"


def _lines(name: str) -> list[str]:
    text = UNIT.read_text(encoding="utf-8").replace("\\\n", " ")
    return re.findall(rf"^{name}=(.*)$", text, flags=re.MULTILINE)


def test_systemd_takes_every_line_of_the_pages_unit(tmp_path: Path) -> None:
    program = shlex.split(_lines("ExecStart")[0])[0]
    copy = tmp_path / UNIT.name
    copy.write_text(UNIT.read_text(encoding="utf-8").replace(program, sys.executable), encoding="utf-8")
    judge = shutil.which("systemd-analyze")
    assert judge is not None, "systemd-analyze is not installed; deploy/test.sh installs it"
    ran = subprocess.run(
        [judge, "verify", str(copy)], capture_output=True, text=True, env=os.environ, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, ""), ran.stderr


def test_the_page_has_tls_and_no_nodes_key_and_gives_way_to_the_service() -> None:
    command = _lines("ExecStart")[0]
    assert "--certificate" in command and "--key" in command and "--look-only" not in command
    assert not [c for c in _lines("LoadCredential") if "node_key" in c]
    assert int(_lines("CPUWeight")[0]) < 100  # systemd's usual weight, which the service has
    assert _lines("ProtectSystem") == ["strict"]
    assert _lines("ReadWritePaths") == ["/var/lib/fallinghead"]
