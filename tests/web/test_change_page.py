"""What a change would do, asked by the forms of the page: as the command has it, and against the physics."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from scheduler.survey.tests_done import Can, CatchCans, site_mark
from scheduler.web import change_page
from tests.support.gardens import small_garden
from tests.support.page_garden import PageGarden, heading, plain


def asked(page: PageGarden, **fields: str) -> str:
    answer = page.client.get("/weeks/change", params=fields)
    assert answer.status_code == 200
    return answer.text


def flows(page: str, plant: str) -> list[tuple[float, float]]:
    """Of a plant, as it is and with the change, at full, half and low."""
    row = re.search(rf'<th scope="row">{plant}</th>(.*?)</tr>', page)
    assert row is not None
    found = []
    assert all(f"{level}, L/h</th>" in page for level in ("full", "half", "low"))
    for cell in re.findall(r"<td[^>]*>([\d. to]+)</td>", row[1]):
        figures = [float(x) for x in re.findall(r"\d+\.\d+", cell)]
        found.append((figures[0], figures[-1]))
    assert len(found) == 3
    return found


def test_barrels_that_are_raised_give_more_by_the_emitters_own_law(started: PageGarden) -> None:
    """q = k h^0.5 with k = 8 L/h at 1 m, as the garden is drawn: the flow tells the head, and 30 cm are added
    to it (less what the faster flow loses in the pipe: under 1 %)."""
    page = asked(started, what="raise", amount="30")
    assert heading(page) == "With the barrels 30 cm higher"
    for before, after in flows(page, "Sage"):
        head_m = (before / 8.0) ** 2
        assert after / before == pytest.approx(((head_m + 0.30) / head_m) ** 0.5, rel=0.01)
    words = plain(page)
    assert re.search(r"At half every plant gets \d+ % to \d+ % more\.", words)
    assert "local building rules come first" in words


def test_two_bubblers_turned_down_give_so_much_less(started: PageGarden) -> None:
    page = asked(started, what="turn", subject="p1", other="p2", amount="20")
    assert heading(page) == "With p1 and p2 turned down by 20 %"
    for before, after in flows(page, "Tomato"):
        assert after == pytest.approx(0.8 * before, rel=0.01)
    for before, after in flows(page, "Sage"):
        assert after == before  # of another zone
    one = asked(started, what="turn", subject="p1", other="", amount="20")
    for before, after in flows(one, "Tomato"):
        assert after == pytest.approx(0.9 * before, rel=0.01)


def test_one_more_plant_is_told_what_it_gets_and_the_others_what_they_lose(started: PageGarden) -> None:
    page = asked(started, what="plant", subject="sage", other="bed-line", place="7.9")
    assert heading(page).startswith(
        "With one more plant like Sage at 7.9 m of line bed-line, on a bubbler of "
    )
    assert heading(page).endswith(" L/h at 1.00 m of head")
    words = plain(page)
    new = re.search(r"The new plant is new: ([\d.]+) L/h at full, ([\d.]+) L/h at half", words)
    assert new is not None and 0.0 < float(new[2]) < float(new[1])
    for name in ("Sage", "Thyme"):  # they share the line with it
        assert all(after <= before for before, after in flows(page, name))
    assert all(after == before for before, after in flows(page, "Tomato"))


CANNOT: tuple[tuple[dict[str, str], str], ...] = (
    ({"what": "raise", "amount": "9 m"}, "and up to 5.00 m"),
    ({"what": "raise", "amount": ""}, "Read"),
    ({"what": "raise", "amount": "-500"}, "raised by more than nothing"),
    ({"what": "raise", "amount": "30 then remove p1"}, "Read"),
    ({"what": "turn", "subject": "", "amount": "20"}, "Say which bubbler is turned"),
    ({"what": "turn", "subject": "rose", "amount": "20"}, "There is no emitter"),
    ({"what": "turn", "subject": "p1", "amount": "120"}, "up to 100 %"),
    ({"what": "plant", "subject": "rose", "other": "bed-line", "place": "3"}, "There is no plant"),
    ({"what": "plant", "subject": "sage", "other": "bed-line", "place": "4000"}, "within 300 m"),
    ({"what": "plant", "subject": "sage", "other": "rope", "place": "3"}, "There is no line"),
    ({"what": "paint"}, "There is no change"),
)


def test_what_cannot_be_is_refused_in_words(started: PageGarden) -> None:
    for fields, said in CANNOT:
        page = asked(started, **fields)
        assert said in plain(page) and 'role="alert"' in page, fields
        assert heading(page) == "What would a change do?"


def test_a_garden_in_us_units_is_refused_in_its_own(tmp_path: Path) -> None:
    page = PageGarden(tmp_path, site=replace(small_garden(), units="us"))
    page.start()
    page.let_in()
    high = plain(asked(page, what="raise", amount="400"))
    far = plain(asked(page, what="plant", subject="sage", other="bed-line", place="4000"))
    page.close()
    # 5 m and 300 m; 0.3048 m to the foot.
    assert "up to 16.4 ft." in high and "within 984 ft of" in far


def test_asking_keeps_nothing(started: PageGarden) -> None:
    asked(started, what="raise", amount="30")
    assert started.store.requests_since(started.driver.start) == ()


def test_advice_is_that_of_the_command(started: PageGarden) -> None:
    words = plain(asked(started))
    assert "What would help most?" in words
    assert "Nothing that was tried makes a difference worth the work." in words


def test_the_same_change_is_worked_out_once_and_anew_for_a_garden_tested_since(
    started: PageGarden, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    def counted(name: str) -> None:
        done = getattr(change_page, name)
        monkeypatch.setattr(change_page, name, lambda *a, **k: made.append(name) or done(*a, **k))

    counted("compare_answer")
    counted("advice_lines")
    first = asked(started, what="raise", amount="30")
    assert plain(asked(started, what="raise", amount="30")) == plain(first)
    assert made == ["compare_answer", "advice_lines"]
    asked(started, what="raise", amount="20")
    assert made == ["compare_answer", "advice_lines", "compare_answer"]
    # Cans of the bed's zone that got two fifths of their due: another garden than before.
    zone = started.site.zone("bed")
    cans = tuple(Can(emitter=e.id, volume_l=0.4) for e in zone.emitters)
    record = CatchCans(zone="bed", at=started.now(), who="Ines", level_m=0.6, run_s=600.0, cans=cans)
    started.store.add_test_record(record, site_mark(started.site, "bed"))
    again = asked(started, what="raise", amount="30")
    assert flows(again, "Sage") != flows(first, "Sage")
    assert made[3:] == ["compare_answer", "advice_lines"]
