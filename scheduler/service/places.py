"""Where a service keeps its garden, and who it is to the broker: no command loads the daemon to ask that."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

STATE_VARIABLE = "FALLINGHEAD_STATE"
USER_VARIABLE = "FALLINGHEAD_BROKER_USER"
TLS_CA_VARIABLE = "FALLINGHEAD_BROKER_CA"
DEFAULT_USER = "fallinghead"


def state_folder(environment: Mapping[str, str] | None = None) -> Path:
    """Where a service keeps its store: FALLINGHEAD_STATE, what systemd gives, or the user's own state."""
    env = os.environ if environment is None else environment
    given = env.get(STATE_VARIABLE) or env.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    home = env.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return Path(home) / "fallinghead"


def site_store_path(site_id: str, environment: Mapping[str, str] | None = None) -> Path:
    """The store of a garden; commands and service agree on it."""
    return state_folder(environment) / f"{site_id}.db"
