"""Mosquitto started with the configuration that deploy/ ships, read by a main file as Debian's is."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

from tests.support.broker import MosquittoProcess

DEPLOY = Path(__file__).parents[2] / "deploy"


class DeployedBroker(MosquittoProcess):
    """Paths and port are the test's; every other line is what a household installs."""

    def __init__(self, nodes: Sequence[str]) -> None:
        self._nodes = tuple(nodes)
        self.passwords: dict[str, str] = {}
        super().__init__()

    def _write_files(self) -> None:
        folder = self.folder
        shipped = (DEPLOY / "mosquitto" / "fallinghead.conf").read_text()
        for was, becomes in (
            ("listener 1883 127.0.0.1\n", f"listener {self.port} 127.0.0.1\n"),
            ("/etc/mosquitto/fallinghead.", f"{folder}/fallinghead."),
        ):
            assert was in shipped
            shipped = shipped.replace(was, becomes)
        (folder / "conf.d").mkdir()
        (folder / "conf.d" / "fallinghead.conf").write_text(shipped)
        access = folder / "fallinghead.acl"
        access.write_text((DEPLOY / "mosquitto" / "fallinghead.acl").read_text())
        access.chmod(0o600)
        self._make_users(folder / "fallinghead.passwords")
        (folder / "kept").mkdir()
        # As /etc/mosquitto/mosquitto.conf of the Debian package 2.0.11, and the user that may read it all.
        (folder / "conf").write_text(
            f"user root\npid_file {folder / 'pid'}\npersistence true\npersistence_location {folder}/kept/\n"
            f"log_dest file {folder / 'log'}\ninclude_dir {folder}/conf.d\n"
        )

    def _make_users(self, passwords: Path) -> None:
        made = subprocess.run(
            [DEPLOY / "broker-users.sh", *self._nodes],
            env={"PATH": os.environ["PATH"] + ":/usr/bin:/usr/sbin", "FALLINGHEAD_PASSWORDS": str(passwords)},
            check=True,
            capture_output=True,
            text=True,
        )
        self.passwords = dict(line.split(" ", 1) for line in made.stdout.splitlines())
        if os.geteuid() == 0:
            os.chown(passwords, 0, 0)
        passwords.chmod(0o600)
