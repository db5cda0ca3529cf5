"""A real Mosquitto on a free loopback port, for one test or many."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

START_S_MAX = 10.0


# Below the ports that Linux lends to whoever connects (net.ipv4.ip_local_port_range, 32768 and up): a port
# from there can be gone before its broker binds it.
FIRST_PORT, PORTS_PER_PROCESS = 12_000, 1_000
_given = 0


def free_port() -> int:
    """A loopback TCP port that nobody else is given: each process of a test run has a thousand of its own."""
    global _given
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")) % 20
    first = FIRST_PORT + worker * PORTS_PER_PROCESS
    for _ in range(PORTS_PER_PROCESS):
        # Two runs on one machine start apart by their process numbers.
        port = first + (os.getpid() * 7 + _given) % PORTS_PER_PROCESS
        _given += 1
        with contextlib.suppress(OSError), socket.socket() as probe:
            probe.bind(("127.0.0.1", port))
            return port
    raise OSError(f"no port is free from {first} to {first + PORTS_PER_PROCESS - 1}")


def find_program(name: str, *places: str) -> str:
    """The program's path; tests are never skipped for the lack of one."""
    found = shutil.which(name, path=None) or next((p for p in places if Path(p).exists()), None)
    if found is None:
        raise FileNotFoundError(f"{name} is not installed; deploy/test.sh installs it")
    return found


class MosquittoProcess:
    """Mosquitto with users and access lists of the test's own.

    ``users`` name -> password (none: anonymous allowed); ``access`` lines of an ACL file; ``options`` further
    lines of its configuration. The same port and folder are kept over stop, kill and start again.
    """

    def __init__(
        self,
        *,
        users: Mapping[str, str] | None = None,
        access: Sequence[str] = (),
        options: Sequence[str] = (),
        port: int | None = None,
    ) -> None:
        self.port = port or free_port()
        self.host = "127.0.0.1"
        self._users = dict(users or {})
        self._access = tuple(access)
        self._options = tuple(options)
        self._folder = Path(tempfile.mkdtemp(prefix="mosquitto-"))
        self._process: subprocess.Popen[bytes] | None = None
        self._write_files()

    @property
    def pid(self) -> int | None:
        return self._process.pid if self._process is not None else None

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def folder(self) -> Path:
        return self._folder

    def log(self) -> str:
        path = self._folder / "log"
        return path.read_text(errors="replace") if path.exists() else ""

    def _write_files(self) -> None:
        lines = [
            "per_listener_settings false",
            f"listener {self.port} 127.0.0.1",
            "user root",  # started by root in CI, it would otherwise lose sight of these files
            f"log_dest file {self._folder / 'log'}",
            "log_type all",
        ]
        if not any(o.startswith("persistence ") for o in self._options):
            lines.append("persistence false")
        if self._users:
            passwords = self._folder / "passwords"
            passwords.touch(mode=0o600)
            program = find_program("mosquitto_passwd", "/usr/bin/mosquitto_passwd")
            for name, password in self._users.items():
                subprocess.run(
                    [program, "-b", str(passwords), name, password], check=True, capture_output=True
                )
            lines += ["allow_anonymous false", f"password_file {passwords}"]
        else:
            lines.append("allow_anonymous true")
        if self._access:
            access = self._folder / "access"
            access.write_text("\n".join(self._access) + "\n")
            access.chmod(0o600)
            lines.append(f"acl_file {access}")
        (self._folder / "conf").write_text("\n".join([*lines, *self._options]) + "\n")

    def start(self) -> MosquittoProcess:
        """Returns once the port answers."""
        program = find_program("mosquitto", "/usr/sbin/mosquitto")
        self._process = subprocess.Popen(
            [program, "-c", str(self._folder / "conf")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        end = time.monotonic() + START_S_MAX
        while time.monotonic() < end:
            if self._process.poll() is not None:
                raise RuntimeError(f"mosquitto ended at once: {self.log()}")
            with contextlib.suppress(OSError), socket.create_connection((self.host, self.port), timeout=0.5):
                return self
            time.sleep(0.02)
        raise TimeoutError(f"mosquitto did not answer on port {self.port}: {self.log()}")

    def stop(self) -> None:
        """SIGTERM: it saves what it saves."""
        self._end(kill=False)

    def kill(self) -> None:
        """SIGKILL: it saves nothing."""
        self._end(kill=True)

    def _end(self, *, kill: bool) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if kill:
            process.kill()
        else:
            process.terminate()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5)

    def close(self) -> None:
        """Stop, and remove its files."""
        self.stop()
        shutil.rmtree(self._folder, ignore_errors=True)

    def __enter__(self) -> MosquittoProcess:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
