"""Node keys, the broker's password and people's addresses: never in the site file, never shown.

Looked for in this order: the environment (``FALLINGHEAD_NODE_KEY_SHED``), the folder of systemd credentials
(a file of that name, or ``node_key_shed``), and a file that only its owner may read (a line
``node_key_shed = ...``), named by ``FALLINGHEAD_SECRETS``. A channel may stand there by its bare name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from scheduler.alerts.addresses import Address, read_secrets
from scheduler.site.errors import UsageError
from scheduler.site.model import Site

PREFIX = "FALLINGHEAD_"
SECRETS_VARIABLE = "FALLINGHEAD_SECRETS"
CREDENTIALS_VARIABLE = "CREDENTIALS_DIRECTORY"
# 128 bits, the least for a key of HMAC-SHA256 drawn at random (NIST SP 800-107 r1, 5.3.2: 112 or more).
KEY_BYTES_MIN = 16


class Secrets:
    """Looks secrets up by name. Its own text shows none of them."""

    def __init__(self, environment: Mapping[str, str]) -> None:
        self._environment = environment
        file = environment.get(SECRETS_VARIABLE)
        self._file = {k.lower(): v for k, v in read_secrets(Path(file)).items()} if file else {}
        folder = environment.get(CREDENTIALS_VARIABLE)
        self._folder = Path(folder) if folder else None

    def __repr__(self) -> str:
        return "Secrets(not shown)"

    def get(self, *parts: str) -> str | None:
        """The secret called by those parts, such as ``("node_key", "shed")``; None: there is none."""
        name = re.sub(r"[^a-z0-9]", "_", "_".join(parts).lower())
        value = self._environment.get(PREFIX + name.upper())
        return (
            value or self._credential(name) or self._file.get(name) or self._file.get(PREFIX.lower() + name)
        )

    def _credential(self, name: str) -> str | None:
        if self._folder is None:
            return None
        for path in (self._folder / name, self._folder / (PREFIX.lower() + name)):
            try:
                return path.read_text(encoding="utf-8").strip() or None
            except FileNotFoundError:
                continue
            except (OSError, UnicodeDecodeError) as error:
                raise UsageError(f"the credential {path} cannot be read: {type(error).__name__}") from error
        return None

    def node_key(self, node: str) -> bytes:
        """The key a node shares with us. UsageError says how to give it, never what was read."""
        variable = PREFIX + re.sub(r"[^A-Z0-9]", "_", f"node_key_{node}".upper())
        text = self.get("node_key", node)
        if text is None:
            raise UsageError(
                f"There is no key for node {node!r}. `fallinghead node` makes one for service and board; "
                f"then name its secrets file in FALLINGHEAD_SECRETS. Or set {variable} to the key that "
                "stands in the board's own settings."
            )
        try:
            key = bytes.fromhex(text)
        except ValueError:
            raise UsageError(f"{variable}: not hexadecimal digits; give the key as it was made.") from None
        if len(key) < KEY_BYTES_MIN:
            raise UsageError(
                f"{variable}: {len(key)} bytes; a key has {KEY_BYTES_MIN} or more, drawn at random "
                "(`openssl rand -hex 32`)."
            )
        return key

    def addresses(self, site: Site) -> Mapping[str, Address]:
        """The addresses of the site's channels that have one."""
        found = {}
        for person in site.people:
            url = self.get("channel", person.channel) or self._file.get(person.channel.lower())
            if url:
                found[person.channel] = Address(url)
        return found
