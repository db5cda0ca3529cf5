"""A node's key and password: in files for their owner alone, never shown, changed whole or not at all."""

from __future__ import annotations

import json
import shutil
import stat
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from firmware_stub.settings import Settings
from scheduler.cli.main import app
from scheduler.service.provisioning import make_node, revoke_node, rotate_node, set_broker_password
from scheduler.service.secrets import Secrets
from scheduler.site.errors import UsageError
from scheduler.site.examples import example_site

SITE = example_site("five-drums")


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def key_of(secrets: Path) -> bytes:
    return Secrets({"FALLINGHEAD_SECRETS": str(secrets)}).node_key(SITE.node.id)


def made(folder: Path) -> tuple[Path, Path]:
    secrets, settings = folder / "secrets", folder / "settings.json"
    make_node(SITE, secrets, settings, broker_host="192.0.2.10")
    return secrets, settings


def test_the_command_to_type_next_names_the_site_file_again(tmp_path: Path) -> None:
    """Another site.toml may lie in the folder: without the name the password would be of another node."""
    secrets, settings = tmp_path / "secrets", tmp_path / "my settings.json"
    done = make_node(SITE, secrets, settings, broker_host="192.0.2.10", named="elm lane/site.toml")
    typed = f"fallinghead node 'elm lane/site.toml' --settings '{settings}' --passwords /etc/mosquitto/"
    assert any(typed in line for line in done.said)
    assert any(
        typed in line for line in rotate_node(SITE, secrets, settings, named="elm lane/site.toml").said
    )


def test_service_and_node_share_one_key_in_files_for_their_owner_alone(tmp_path: Path) -> None:
    secrets, settings = made(tmp_path)
    assert (mode(secrets), mode(settings)) == (0o600, 0o600)
    kept = json.loads(settings.read_text())
    assert bytes.fromhex(kept["key"]) == key_of(secrets)
    # The node's own program takes the settings.
    names = (
        "node", "channels", "travel_ms_max", "longest_open_ms", "daily_open_ms_max", "heartbeat_ms",
        "shuts_without_power", "cuts_itself_off",
    )  # fmt: skip
    node = Settings(key=bytes.fromhex(kept["key"]), **{n: kept[n] for n in names})
    assert node.longest_open_ms == 1000 * SITE.node.longest_open_s
    assert (node.shuts_without_power, node.cuts_itself_off) == (False, True)
    # One motor to each valve, in the order of the channels, each with pins that the fitter has to fill in.
    assert node.channels == len(SITE.zones)
    motors = kept["pins"]["motors"]
    assert [m["zone"] for m in motors] == [z.id for z in sorted(SITE.zones, key=lambda z: z.valve.channel)]
    assert all(m[pin] is None for m in motors for pin in ("open", "close", "open_switch", "closed_switch"))


def test_channels_with_a_gap_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    zones = tuple(replace(z, valve=replace(z.valve, channel=2 * z.valve.channel)) for z in SITE.zones)
    with pytest.raises(UsageError, match="without a gap"):
        make_node(replace(SITE, zones=zones), tmp_path / "s", tmp_path / "n.json", broker_host="192.0.2.10")
    assert list(tmp_path.iterdir()) == []


def test_no_secret_is_ever_printed(tmp_path: Path) -> None:
    secrets, settings = tmp_path / "secrets", tmp_path / "settings.json"
    files = ["--secrets", str(secrets), "--settings", str(settings)]
    said = ""
    for more in (["--broker", "192.0.2.10"], ["--rotate"], ["--broker", "192.0.2.10"], ["--revoke"]):
        result = CliRunner().invoke(app, ["node", "five-drums", *files, *more])
        said += result.output + str(result.exception)
        kept = json.loads(settings.read_text())
        assert kept["key"] not in said and kept["broker"]["password"] not in said


def test_a_key_that_is_there_is_not_made_anew_by_accident(tmp_path: Path) -> None:
    secrets, settings = made(tmp_path)
    before = key_of(secrets)
    with pytest.raises(UsageError, match="--rotate"):
        make_node(SITE, secrets, tmp_path / "other.json", broker_host="192.0.2.10")
    assert key_of(secrets) == before
    assert not (tmp_path / "other.json").exists()
    secrets.unlink()
    with pytest.raises(UsageError, match="there already"):
        make_node(SITE, secrets, settings, broker_host="192.0.2.10")
    assert not secrets.exists()


def test_a_rotated_key_is_new_in_both_files_and_keeps_what_else_stands_there(tmp_path: Path) -> None:
    secrets, settings = made(tmp_path)
    secrets.write_text(secrets.read_text() + "broker_password = keep me\n")
    old, filled = key_of(secrets), json.loads(settings.read_text())
    filled["wifi"] = {"name": "shed", "password": "keep me too"}
    settings.write_text(json.dumps(filled))
    rotate_node(SITE, secrets, settings)
    new = json.loads(settings.read_text())
    assert bytes.fromhex(new["key"]) == key_of(secrets) != old
    assert new["broker"]["password"] != filled["broker"]["password"]
    assert new["wifi"] == filled["wifi"]
    assert "broker_password = keep me" in secrets.read_text()
    assert (mode(secrets), mode(settings)) == (0o600, 0o600)


def test_a_revoked_key_is_gone_and_the_service_says_so(tmp_path: Path) -> None:
    secrets, _ = made(tmp_path)
    revoke_node(SITE, secrets)
    with pytest.raises(UsageError, match="no key for node"):
        key_of(secrets)
    with pytest.raises(UsageError, match="nothing to take back"):
        revoke_node(SITE, secrets)


def test_settings_of_another_node_are_not_touched(tmp_path: Path) -> None:
    secrets, settings = made(tmp_path)
    other = json.loads(settings.read_text()) | {"node": "barn"}
    settings.write_text(json.dumps(other))
    before = settings.read_text(), secrets.read_text()
    with pytest.raises(UsageError, match="not the settings file of node"):
        rotate_node(SITE, secrets, settings)
    assert (settings.read_text(), secrets.read_text()) == before


def test_the_broker_takes_the_password_of_the_settings(tmp_path: Path) -> None:
    _, settings = made(tmp_path)
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    set_broker_password(SITE, settings, passwords)
    assert passwords.read_text().startswith(f"{SITE.node.id}:$")
    assert json.loads(settings.read_text())["broker"]["password"] not in passwords.read_text()
    tool = shutil.which("mosquitto_passwd", path="/usr/bin:/usr/sbin")
    assert tool is not None
    removed = subprocess.run([tool, "-D", str(passwords), SITE.node.id], check=False)
    assert removed.returncode == 0


def test_a_folder_of_secrets_gets_a_file_for_each_and_other_lines_of_a_file_stay(tmp_path: Path) -> None:
    folder = tmp_path / "secrets"
    folder.mkdir()
    make_node(SITE, folder, tmp_path / "settings.json", broker_host="192.0.2.10")
    (file,) = folder.iterdir()
    assert (file.name, mode(file)) == (f"node_key_{SITE.node.id}", 0o600)
    assert Secrets({"CREDENTIALS_DIRECTORY": str(folder)}).node_key(SITE.node.id)
    revoke_node(SITE, folder)
    assert list(folder.iterdir()) == []
    lines = tmp_path / "lines"
    lines.write_text("# for the shed\nbroker_password = x\n")
    lines.chmod(0o600)
    make_node(SITE, lines, tmp_path / "other.json", broker_host="192.0.2.10")
    assert lines.read_text().startswith("# for the shed\nbroker_password = x\n")
