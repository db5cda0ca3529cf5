"""The figures over HTTP: this machine alone unless asked, read only, one path, worked out seldom."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families
from starlette.testclient import TestClient
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.site.errors import UsageError
from scheduler.web import metrics_page
from scheduler.web.guard import App
from scheduler.web.metrics_page import ASKS_PER_MINUTE, SAME_FOR_S, Figures, metrics_app, serve_metrics
from scheduler.web.serving import Address
from tests.support.many_gardens import one_of_many

NOW = datetime(2012, 8, 1, 15, 0, tzinfo=UTC)


class Clock:
    monotonic_s = 1000.0


def client_of(folder: Path, clock: Clock) -> TestClient:
    def monotonic() -> float:
        return clock.monotonic_s

    figures = Figures([str(folder)], now=lambda: NOW, monotonic=monotonic)
    served = metrics_app(figures, hosts=["127.0.0.1"], monotonic=monotonic)
    return TestClient(served, base_url="http://127.0.0.1:8418")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    one_of_many(tmp_path, 1, NOW - timedelta(minutes=5))
    return tmp_path


def test_a_collecting_program_reads_them_at_metrics(folder: Path) -> None:
    answer = client_of(folder, Clock()).get("/metrics")
    assert answer.status_code == 200
    # Of the exposition format, version 0.0.4.
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    families = {f.name: f for f in text_string_to_metric_families(answer.text)}
    assert families["fallinghead_level_metres"].samples[0].value == 0.5


def test_there_is_nothing_else_and_nothing_can_be_done(folder: Path) -> None:
    client = client_of(folder, Clock())
    assert client.get("/").status_code == 404
    assert client.post("/metrics").status_code == 404
    assert client.request("DELETE", "/metrics").status_code == 405
    assert client.get("/metrics", headers={"host": "elsewhere.example"}).status_code == 421


def test_they_are_worked_out_once_for_many_askers(folder: Path) -> None:
    clock = Clock()
    client = client_of(folder, clock)
    before = client.get("/metrics").text
    for file in folder.glob("*/*.db"):
        file.unlink()
    assert client.get("/metrics").text == before
    clock.monotonic_s += SAME_FOR_S + 1.0
    assert 'fallinghead_readable{garden="garden-01"} 0' in client.get("/metrics").text


def test_who_asks_too_often_is_held_up(folder: Path) -> None:
    client = client_of(folder, Clock())
    answers = [client.get("/metrics").status_code for _ in range(ASKS_PER_MINUTE + 1)]
    assert answers == [200] * ASKS_PER_MINUTE + [429]


def test_what_goes_wrong_is_told_without_its_details(
    folder: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def fails(*_: object) -> str:
        raise RuntimeError("a secret of the house")

    monkeypatch.setattr(metrics_page, "metrics_text", fails)
    answer = client_of(folder, Clock()).get("/metrics")
    assert answer.status_code == 503 and "secret" not in answer.text
    assert "a secret of the house" in caplog.text


def test_it_listens_on_this_machine_alone_unless_told_otherwise(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    served: list[Address] = []

    def run(_app: App, address: Address) -> None:
        served.append(address)

    monkeypatch.setattr(metrics_page, "run", run)
    monkeypatch.setattr("scheduler.service.log.set_up_log", lambda _zone: None)
    for more in ([], ["--host", "192.0.2.7", "--port", "9000"]):
        ran = CliRunner().invoke(app, ["metrics", str(folder), "--serve", *more])
        assert ran.exit_code == 0, ran.output
    assert [(a.host, a.port) for a in served] == [("127.0.0.1", 8418), ("192.0.2.7", 9000)]
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(UsageError, match="no site file"):
        serve_metrics([str(empty)], "127.0.0.1", 8418)
