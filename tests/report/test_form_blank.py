"""A file of a test to fill in: read back as it was filled, and what is needed is told while it is empty."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.main import app
from scheduler.report.form_blank import blank_test
from scheduler.report.form_file import FiledTest, read_test
from scheduler.report.forms import GARDEN_STEPS, STEPS, form_of
from scheduler.site.errors import SiteFileError, UsageError
from scheduler.site.examples import example_site
from scheduler.survey.tests_done import CatchCans, TestKind
from tests.support.gardens import small_garden

NOW = datetime(2031, 6, 1, tzinfo=UTC)
SITES = {garden: example_site(garden) for garden in ("five-drums", "uneven-ground")}
CASES = [
    (garden, kind, None if kind in GARDEN_STEPS else site.zones[-1].id)
    for garden, site in SITES.items()
    for kind in STEPS.values()
]
ENTRY = re.compile(r'^([a-z-]+) = ""( +# .*)$', re.MULTILINE)


def read(garden: str, text: str, folder: Path) -> FiledTest:
    path = folder / "test.toml"
    path.write_text(text, encoding="utf-8")
    return read_test(path, SITES[garden], None, None, "Ann", NOW)


def filled(text: str) -> str:
    """As its own words say: the example, true, or a number; each moment a day after the one before."""
    days = iter(range(1, 9))

    def value(found: re.Match[str]) -> str:
        name, words = found[1], found[2]
        if "true or false" in words:
            return f"{name} = true"
        if "2031-05-02" in words:
            return f'{name} = "2031-05-{next(days):02d} 17:30"'
        example = re.search(r'such as ("[^"]+")', words)
        return f"{name} = {example[1]}" if example else found[0]

    return ENTRY.sub(value, text)


@pytest.mark.parametrize(("garden", "kind", "zone"), [c for c in CASES if c[1] != "sensor_scale"])
def test_a_file_filled_with_its_own_examples_is_that_test(
    garden: str, kind: TestKind, zone: str | None, tmp_path: Path
) -> None:
    text = filled(blank_test(SITES[garden], kind, zone))
    record = read(garden, text, tmp_path).record
    assert (record.kind, record.zone) == (kind, zone)
    assert record.at == datetime(2031, 5, 2, 0, 30, tzinfo=UTC)  # half past five in the evening, UTC - 7 h
    if isinstance(record, CatchCans):
        assert [can.emitter for can in record.cans] == [e.id for e in SITES[garden].zone(str(zone)).emitters]
        assert all(record.measured)


@pytest.mark.parametrize(("garden", "kind", "zone"), CASES)
def test_a_file_that_was_not_filled_says_what_is_needed_and_nothing_else(
    garden: str, kind: TestKind, zone: str | None, tmp_path: Path
) -> None:
    form = form_of(SITES[garden], kind, zone)
    rows = len(form.given) or form.least
    needed = sum(f.required for f in form.head) + rows * sum(f.required for f in form.asked_in_row)
    with pytest.raises(SiteFileError) as caught:
        read(garden, blank_test(SITES[garden], kind, zone), tmp_path)
    told = [p.remedy for p in caught.value.problems]
    assert all("it is missing: add" in remedy for remedy in told), told
    many = [int(n) for remedy in told for n in re.findall(r"so in (\d+) places", remedy)]
    assert len(told) - len(many) + sum(many) == needed


def test_a_can_left_empty_was_not_measured_and_one_of_nothing_was_dry(tmp_path: Path) -> None:
    text = filled(blank_test(SITES["five-drums"], "catch_cans", "pots"))
    first, second = (e.id for e in SITES["five-drums"].zone("pots").emitters[:2])
    for emitter, caught in ((first, ""), (second, "0 mL")):
        text = re.sub(rf'(emitter = "{emitter}"\nvolume = )"[^"]+"', rf'\1"{caught}"', text)
    record = read("five-drums", text, tmp_path).record
    assert isinstance(record, CatchCans)
    assert [can.volume_l for can in record.cans[:2]] == [None, 0.0]


def test_the_command_prints_it_and_asks_for_what_it_lacks() -> None:
    def run(*words: str) -> str:
        result = CliRunner().invoke(app, ["commission", "five-drums", *words, "--blank"])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result.output

    assert 'emitter = "tomato-1-1"' in run("catch-cans", "--zone", "pots")
    assert 'test = "poured"' in run("poured")
    with pytest.raises(UsageError, match="--zone pots or --zone border"):
        run("catch-cans")
    with pytest.raises(UsageError, match="which step"):
        run()


def test_the_only_zone_of_a_garden_need_not_be_named(tmp_path: Path) -> None:
    site = small_garden()
    site = replace(site, zones=site.zones[:1])
    path = tmp_path / "t.toml"
    path.write_text('test = "prime-time"\nlevel = "60 cm"\nprime-time = "12 s"\n', encoding="utf-8")
    assert read_test(path, site, None, None, "Ann", NOW).record.zone == site.zones[0].id
