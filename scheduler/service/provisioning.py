"""A node's key and broker password, and its settings file: made, changed, taken back.

What is secret goes into files that only their owner may read, and is never printed, logged or kept in the
site file. Every file is written beside its place and put there whole, so that a cut leaves the old one.
"""

from __future__ import annotations

import base64
import json
import os
import re
import secrets
import shlex
import ssl
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scheduler.alerts.addresses import read_secrets
from scheduler.site.errors import UsageError
from scheduler.site.model import DAILY_OPENINGS, Site

# 256 bits, the length of SHA-256's output (RFC 2104, section 3: a longer key would not add strength).
KEY_BYTES = 32
PASSWORD_BYTES = 18
# An opening and a closing may take this much longer than the site file says before the node calls a fault.
TRAVEL_SLACK = 1.5
OWNER_ONLY = 0o600

# Where a fitter has to put in what this program cannot know; without it the board does not start.
PINS_TO_FILL: Mapping[str, None] = {"open": None, "close": None, "open_switch": None, "closed_switch": None}

# Where the broker listens with TLS (the port that IANA registers for it), and the name in its certificate
# (firmware_stub/secure.py and deploy/broker-setup.sh have the same).
TLS_PORT = 8883
BROKER_NAME = "fallinghead-broker"
PLAIN_WORDS = (
    "Without --ca the node's password goes over the network in the clear: only on a network of its own. "
    "deploy/broker-setup.sh makes the certificate."
)


@dataclass(frozen=True, slots=True)
class Provisioned:
    """What was done, in sentences without a secret in them."""

    said: tuple[str, ...]


def make_node(
    site: Site,
    secrets_file: Path,
    settings_file: Path,
    *,
    broker_host: str,
    ca_file: Path | None = None,
    named: str | None = None,
) -> Provisioned:
    """A key and a broker password for the site's node, in the secrets file and in the node's settings.

    ``ca_file``: the certificate (PEM) of the broker's own authority, which the node then trusts alone;
    without it the node speaks to the broker without TLS. UsageError when the node has a key already (then
    ``rotate``), or the settings file exists.
    """
    kept = dict(_kept(secrets_file))
    if _key_name(site) in kept:
        raise UsageError(
            f"node {site.node.id!r} has a key in {secrets_file} already; change it with --rotate, or take it "
            "back with --revoke"
        )
    if settings_file.exists():
        raise UsageError(
            f"{settings_file} is there already; name another file, or change the key with --rotate"
        )
    key, password = secrets.token_hex(KEY_BYTES), secrets.token_urlsafe(PASSWORD_BYTES)
    settings = _settings(site, key, password, broker_host)
    if ca_file is not None:
        settings["broker"] |= _tls(ca_file)
    _write_settings(settings_file, settings)
    _write_secrets(secrets_file, _key_name(site), key)
    return Provisioned(
        (
            f"Made a key for node {site.node.id!r}: in {secrets_file}, and in {settings_file} for the board.",
            "Fill in there the wifi and the pins of what is fitted, and with a supply divider supply_low_mv "
            "and supply_mv_per_count (firmware_stub/README.md).",
            "Set cuts_itself_off to false if a motor does not stop by itself at its ends.",
            _broker_words(settings_file, named),
            "Then copy it to the board as settings.json, and delete it here.",
            *(() if ca_file is not None else (PLAIN_WORDS,)),
        )
    )


def rotate_node(
    site: Site, secrets_file: Path, settings_file: Path, *, named: str | None = None
) -> Provisioned:
    """A new key and password in both files; the node obeys the old key until it gets the new file.

    UsageError when either file is missing or not of this node.
    """
    kept = dict(_kept(secrets_file))
    if _key_name(site) not in kept:
        raise UsageError(
            f"node {site.node.id!r} has no key in {secrets_file}; make one first, without --rotate"
        )
    settings = _read_settings(settings_file, site)
    settings["key"] = secrets.token_hex(KEY_BYTES)
    settings["broker"]["password"] = secrets.token_urlsafe(PASSWORD_BYTES)
    _write_settings(settings_file, settings)
    _write_secrets(secrets_file, _key_name(site), settings["key"])
    return Provisioned(
        (
            f"Changed the key of node {site.node.id!r} in {secrets_file} and {settings_file}.",
            "Copy the settings to the board and restart it and the service: until then it refuses orders.",
            _broker_words(settings_file, named),
        )
    )


def revoke_node(site: Site, secrets_file: Path) -> Provisioned:
    """Take the node's key out of the secrets file: this machine orders it nothing any more."""
    if _key_name(site) not in _kept(secrets_file):
        raise UsageError(f"node {site.node.id!r} has no key in {secrets_file}; there is nothing to take back")
    _write_secrets(secrets_file, _key_name(site), None)
    return Provisioned(
        (
            f"Took the key of node {site.node.id!r} out of {secrets_file}; restart the service.",
            "The board itself still has it. Whoever holds the board and reaches the broker can open its own "
            f"valves: take its user off too: mosquitto_passwd -D PASSWORDS {site.node.id}",
        )
    )


def set_broker_password(site: Site, settings_file: Path, passwords_file: Path) -> Provisioned:
    """Give the broker the password that stands in the node's settings, by its own tool."""
    password = _read_settings(settings_file, site)["broker"]["password"]
    try:
        ran = subprocess.run(  # noqa: S603 - a fixed command
            ["mosquitto_passwd", str(passwords_file), site.node.id],  # noqa: S607 - wherever it is installed
            input=f"{password}\n{password}\n",
            capture_output=True,
            text=True,
            timeout=30.0,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise UsageError(f"mosquitto_passwd could not be run ({error}); install the broker first") from error
    if ran.returncode != 0:
        said = ran.stderr.replace(password, "...").strip().splitlines()
        raise UsageError(
            f"mosquitto_passwd did not take {passwords_file}: {said[-1] if said else 'no word why'}"
        )
    return Provisioned((f"The broker's user {site.node.id!r} has its password in {passwords_file}.",))


def _key_name(site: Site) -> str:
    return "node_key_" + re.sub(r"[^a-z0-9]", "_", site.node.id.lower())


def _kept(file: Path) -> Mapping[str, str]:
    """Name -> value of a secrets file, or of a folder with a file to each secret (as systemd takes them)."""
    if file.is_dir():
        return {p.name: p.read_text(encoding="utf-8").strip() for p in sorted(file.iterdir()) if p.is_file()}
    return read_secrets(file) if file.exists() else {}


def _settings(site: Site, key: str, password: str, broker_host: str) -> dict[str, Any]:
    """What core.Settings of the node takes, and the parts that drivers.py reads."""
    travel_s = max(max(z.valve.opening_s, z.valve.closing_s) for z in site.zones)
    longest_ms = round(1000.0 * site.node.longest_open_s)
    channels = sorted(z.valve.channel for z in site.zones)
    if channels != list(range(1, len(channels) + 1)):
        raise UsageError(
            f"the valves hang on channels {', '.join(map(str, channels))} of node {site.node.id!r}; number "
            f"them from 1 to {len(channels)} without a gap, for the board would look for a valve in it"
        )
    motors = [_motor(site, channel) for channel in channels]
    return {
        "node": site.node.id,
        "key": key,
        "channels": len(motors),
        "travel_ms_max": round(1000.0 * TRAVEL_SLACK * travel_s),
        "longest_open_ms": longest_ms,
        "daily_open_ms_max": DAILY_OPENINGS * longest_ms,
        "heartbeat_ms": round(1000.0 * site.node.heartbeat_s),
        "shuts_without_power": False,
        "cuts_itself_off": True,
        "supply_low_mv": None,
        "supply_mv_per_count": 0,
        "pins": {"motors": motors, "level": _level_pins(site), "supply": None, "rain": None, "flow": None},
        "wifi": {"name": "", "password": ""},
        "broker": {
            "host": broker_host,
            "port": site.broker.port,
            "username": site.node.id,
            "password": password,
        },
    }


def _tls(ca_file: Path) -> dict[str, Any]:
    """The part of the node's settings that makes it trust this authority and no other."""
    try:
        pem = ca_file.read_text(encoding="ascii")
        der = ssl.PEM_cert_to_DER_cert(pem.strip())
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cadata=der)
    except OSError as error:  # an SSLError is one too
        raise UsageError(
            f"{ca_file} cannot be used ({error.strerror or error}); it is the authority's certificate, ca.crt"
        ) from error
    except ValueError:
        raise UsageError(f"{ca_file} is no certificate in PEM form; it is the authority's, ca.crt") from None
    ca = base64.b64encode(der).decode()
    return {"port": TLS_PORT, "tls_name": BROKER_NAME, "ca_der_base64": ca}


def _motor(site: Site, channel: int) -> dict[str, Any]:
    """The pins of one motor driver, to be filled in; ``zone`` says which valve hangs on it (the node passes
    over it)."""
    return {"zone": next(z.id for z in site.zones if z.valve.channel == channel), **PINS_TO_FILL}


def _level_pins(site: Site) -> dict[str, None] | None:
    if site.sensor is None:
        return None
    return {"trigger": None, "echo": None} if site.sensor.kind == "echo" else {"adc": None}


def _read_settings(file: Path, site: Site) -> dict[str, Any]:
    try:
        settings = json.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise UsageError(
            f"{file} cannot be read ({error.strerror}); it is the node's settings.json"
        ) from error
    except ValueError:
        raise UsageError(f"{file} is not JSON; it is the node's settings.json") from None
    if not isinstance(settings, dict) or settings.get("node") != site.node.id or "broker" not in settings:
        raise UsageError(f"{file} is not the settings file of node {site.node.id!r}")
    return settings


def _write_settings(file: Path, settings: Mapping[str, Any]) -> None:
    _write_whole(file, json.dumps(settings, indent=1) + "\n")


def _write_secrets(file: Path, name: str, value: str | None) -> None:
    """Set one secret, or take it out (None); all other lines stay as they are."""
    if file.is_dir():
        if value is None:
            (file / name).unlink(missing_ok=True)
        else:
            _write_whole(file / name, value + "\n")
        return
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    others = [line for line in lines if line.partition("=")[0].strip() != name]
    _write_whole(file, "".join(f"{line}\n" for line in (*others, *([f"{name} = {value}"] if value else []))))


def _write_whole(file: Path, text: str) -> None:
    """A new file beside the old one, for its owner alone from the first byte, then put in its place."""
    beside = file.with_name(f".{file.name}.new")
    try:
        beside.unlink(missing_ok=True)
        owner = file.stat() if file.exists() else file.parent.stat()
        with os.fdopen(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWNER_ONLY), "w") as out:
            if os.geteuid() == 0:  # who could read it before can read it after
                os.fchown(out.fileno(), owner.st_uid, owner.st_gid)
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
        os.replace(beside, file)
    except OSError as error:
        raise UsageError(f"{file} cannot be written: {error.strerror}") from error


def _broker_words(settings_file: Path, named: str | None) -> str:
    """``named``: the site file as it was named at the command, to be named again."""
    site = f"{shlex.quote(named)} " if named else ""
    return (
        f"Tell the broker its password: fallinghead node {site}--settings {shlex.quote(str(settings_file))} "
        "--passwords /etc/mosquitto/fallinghead.passwords (as root), and restart it."
    )
