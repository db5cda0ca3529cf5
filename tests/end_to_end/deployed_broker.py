"""Mosquitto set up by deploy/broker-setup.sh, read by a main file as Debian's is."""

from __future__ import annotations

import base64
import os
import ssl
import subprocess
from collections.abc import Sequence
from pathlib import Path

from tests.support.broker import MosquittoProcess, free_port

DEPLOY = Path(__file__).parents[2] / "deploy"
ADDRESS = "127.0.0.1"


class DeployedBroker(MosquittoProcess):
    """Folder and ports are the test's; every other line is what a household installs.

    ``port`` is the loopback one, without TLS; nodes come to ``tls_port``.
    """

    def __init__(self, nodes: Sequence[str]) -> None:
        self._nodes = tuple(nodes)
        self.passwords: dict[str, str] = {}
        self.tls_port = free_port()
        super().__init__()

    @property
    def ca_file(self) -> Path:
        return self.folder / "ca" / "ca.crt"

    def for_node(self, node: str, port: int | None = None, ca_file: Path | None = None) -> dict[str, object]:
        """The broker in a node's settings; ``port`` and ``ca_file`` others than the true ones."""
        der = ssl.PEM_cert_to_DER_cert((ca_file or self.ca_file).read_text().strip())
        return {
            "host": ADDRESS,
            "port": port or self.tls_port,
            "username": node,
            "password": self.passwords[node],
            "tls_name": "fallinghead-broker",
            "ca_der_base64": base64.b64encode(der).decode(),
        }

    def _write_files(self) -> None:
        folder = self.folder
        made = subprocess.run(
            [DEPLOY / "broker-setup.sh", ADDRESS, *self._nodes],
            env={
                "PATH": os.environ["PATH"] + ":/usr/bin:/usr/sbin",
                "FALLINGHEAD_BROKER_DIR": str(folder),
                "FALLINGHEAD_CA_DIR": str(folder / "ca"),
                "FALLINGHEAD_TLS_PORT": str(self.tls_port),
            },
            check=True,
            capture_output=True,
            text=True,
        )
        words = [line.split(" ") for line in made.stdout.splitlines()]
        self.passwords = {w[0]: w[1] for w in words if len(w) == 2}
        shipped = folder / "conf.d" / "fallinghead.conf"
        text, line = shipped.read_text(), f"listener 1883 {ADDRESS}\n"
        assert line in text
        shipped.write_text(text.replace(line, f"listener {self.port} {ADDRESS}\n"))
        for secret in ("acl", "passwords"):  # to whom this Mosquitto runs as
            path = folder / f"fallinghead.{secret}"
            if os.geteuid() == 0:
                os.chown(path, 0, 0)
            path.chmod(0o600)
        (folder / "kept").mkdir()
        # As /etc/mosquitto/mosquitto.conf of the Debian package 2.0.11, and the user that may read it all.
        (folder / "conf").write_text(
            f"user root\npid_file {folder / 'pid'}\npersistence true\npersistence_location {folder}/kept/\n"
            f"log_dest file {folder / 'log'}\ninclude_dir {folder}/conf.d\n"
        )
