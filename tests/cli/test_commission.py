"""The commissioning as a fitter types it: slips refused in one sentence, nothing typed ever lost."""

from __future__ import annotations

import json
import os
import select
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.main import app
from scheduler.control.effects import (
    Booking,
    Intent,
    RecordAnswer,
    RecordBooking,
    RecordIntent,
    RecordReading,
)
from scheduler.control.orders import Order
from scheduler.sensing.belief import LevelBelief, LevelReading
from scheduler.service.asking import Asked
from scheduler.site.errors import SiteFileError, UsageError
from scheduler.site.examples import example_site, example_text
from scheduler.store.store import Store, store_url
from scheduler.survey.let_out import open_end_lph

SITE = example_site("five-drums")
EMITTERS = [e.id for e in SITE.zone("pots").emitters]


@pytest.fixture(scope="module")
def blank(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the garden's store, made once: making one takes a second."""
    folder = tmp_path_factory.mktemp("blank")
    Store(store_url(folder / "five-drums.db"), "five-drums").close()
    return folder


@pytest.fixture(autouse=True)
def state(tmp_path: Path, blank: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("FALLINGHEAD_STATE", str(tmp_path / "state"))
    shutil.copytree(blank, tmp_path / "state")
    return tmp_path / "state"


def run(*arguments: str, typed: str = "", code: int = 0) -> Result:
    result = CliRunner().invoke(app, arguments, input=typed)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.output
    return result


def commission(*arguments: str, typed: str) -> str:
    """The talk on one line, for it is folded where a terminal ends."""
    said = run("commission", "five-drums", "--who", "Ines", *arguments, typed=typed).output
    return " ".join(said.split())


def store() -> Store:
    path = Path(os.environ["FALLINGHEAD_STATE"]) / "five-drums.db"
    return Store(store_url(path), "five-drums", service=False)


def lines(*typed: str) -> str:
    return "\n".join(typed) + "\n"


# --- slips --------------------------------------------------------------------------------------------


def test_wrong_units_are_told_in_one_sentence_and_asked_again() -> None:
    said = commission("prime-time", "--zone", "pots", typed=lines("60", "60 L", "60 cm"))
    assert 'Read "60": the unit is missing: write a length such as "71 cm".' in said
    assert "'L' is no unit of a length" in said
    assert said.count("Level above the outlet (") == 3
    assert "Time from opening" in said  # 60 cm was taken


def test_a_level_above_the_brim_is_refused_with_where_the_brim_is() -> None:
    said = commission("head-flow", "--zone", "pots", typed=lines("", "60 cm", "2 min", "1 L", "", "1.5 m"))
    assert "A level of 150 cm is above the brim, which stands 79.0 cm above the outlet" in said
    with store() as kept:
        draft = json.loads(kept.draft() or "")
    assert draft["at_work"]["typed"] == ["", "60 cm", "2 min", "1 L", ""]


def test_cans_that_sum_to_more_than_was_drawn_are_refused_and_may_be_mended() -> None:
    """0.3 L in each of ten cans, of 1 L that was drawn: three times as much."""
    head = ("60 cm", "6 min", "1 L", "", "")
    cans = ["0.3 L"] * len(EMITTERS)
    said = commission("catch-cans", "--zone", "pots", typed=lines(*head, *cans))
    assert "The cans sum to 3 L but 1 L were drawn" in said.replace("3.0 L", "3 L").replace("1.0 L", "1 L")
    assert "How long the cans stood (such as 6 min)" in said
    assert "Kept as record" not in said
    with store() as kept:
        draft = json.loads(kept.draft() or "")
        assert kept.test_records() == ()
    # All cans are kept, and the question stands where the talk is taken up again.
    assert draft["at_work"]["typed"] == [*head, *cans]
    mended = commission("catch-cans", "--zone", "pots", typed=lines("nothing", "3.1 L"))
    assert "All that was drawn meanwhile: type it anew" in mended and 'Read "nothing"' in mended
    assert "Kept as record 1." in mended
    with store() as kept:
        (test,) = kept.test_records()
        assert test.record.drawn_l == pytest.approx(3.1)
        assert [can.volume_l for can in test.record.cans] == pytest.approx([0.3] * len(EMITTERS))


def test_a_little_more_caught_than_drawn_may_be_kept_as_it_is() -> None:
    typed = lines("60 cm", "6 min", "2.4 L", "", "", *["0.3 L"] * len(EMITTERS), "yes")
    said = commission("catch-cans", "--zone", "pots", typed=typed)
    assert "yes to keep all as it is, or type it anew" in said and "Kept as record 1." in said


def test_a_level_at_the_end_far_below_what_was_drawn_is_questioned_and_typed_anew() -> None:
    """68 cm of five drums of 58 cm are about 900 L, not 3.8 L."""
    head = ("70 cm", "6 min", "3.8 L", "2 cm", "")
    cans = ["0.38 L"] * len(EMITTERS)
    said = commission("catch-cans", "--zone", "pots", typed=lines(*head, *cans, "69.7 cm"))
    assert "left the barrels, but 3.8 L were drawn: is the level at the end right?" in said
    assert "Kept as record 1." in said
    with store() as kept:
        assert kept.test_records()[0].record.level_end_m == pytest.approx(0.697)
    draws = lines("", "70 cm", "6 min", "3.8 L", "2 cm", "stop")
    assert "which is wrong?" in commission("head-flow", "--zone", "pots", typed=draws)


def test_without_litres_drawn_the_cans_of_all_emitters_question_the_level_at_the_end() -> None:
    cans = ["0.38 L"] * len(EMITTERS)
    said = commission("catch-cans", "--zone", "pots", typed=lines("70 cm", "6 min", "", "2 cm", "", *cans))
    assert "but 3.8 L were caught: is the level at the end right?" in said and "Kept" not in said
    # With the last can taken out the cans no longer tell all that was drawn.
    said = commission("catch-cans", "--zone", "pots", typed=lines("back", "-"))
    assert said.count("is the level at the end right?") == 1 and "Kept as record 1." in said


def test_going_back_offers_again_what_was_typed_behind_it() -> None:
    head = ("60 cm", "6 min", "", "", "14 C")
    cans = ["0.3 L", "0.29 L", "0.31 L"]
    said = commission("catch-cans", "--zone", "pots", typed=lines(*head, *cans, *["back"] * 5, "stop"))
    assert "Enter keeps 0.31 L; - for empty" in said and "Enter: empty, as before" in said
    listed = json.loads(run("commission", "five-drums", "--list", "--json").output)
    assert "catch-cans of pots (8 entries typed)" in listed["half_done"]
    # At the level at the end: another one is typed there, the temperature is taken out, the cans stay.
    said = commission("catch-cans", "--zone", "pots", typed=lines("59.7 cm", "-", "", "0.28 L", ""))
    assert "5 more wait behind it" in said
    with store() as kept:
        at_work = json.loads(kept.draft() or "")["at_work"]
    assert at_work["typed"] == ["60 cm", "6 min", "", "59.7 cm", "", "0.3 L", "0.28 L", "0.31 L"]
    assert at_work["ahead"] == []


def test_back_at_the_first_question_of_all_loses_nothing() -> None:
    said = commission(
        "prime-time", "--zone", "pots", typed=lines("60 cm", "back", "back", "back", "", "stop")
    )
    assert said.count("This is the first question.") == 2 and "Enter keeps 60 cm)" in said
    with store() as kept:
        assert json.loads(kept.draft() or "")["at_work"]["typed"] == ["60 cm"]


def test_rows_that_were_ended_may_be_gone_on_with_after_going_back() -> None:
    first, second = ("75 cm", "2 min", "0.95 L", ""), ("30 cm", "2 min", "0.66 L", "")
    # Ended after one draw, which is questioned; the end is taken back and another draw typed in its place.
    said = commission("head-flow", "--zone", "pots", typed=lines("", *first, "", "", *second, ""))
    assert "All draws are at one level" in said and "Enter: no more, as before" in said
    assert "Kept as record 1." in said
    with store() as kept:
        assert [d.level_m for d in kept.test_records()[0].record.draws] == pytest.approx([0.75, 0.3])


def test_a_step_with_nothing_typed_is_not_called_half_done() -> None:
    commission("sensor-scale", typed=lines("stop"))
    assert json.loads(run("commission", "five-drums", "--list", "--json").output)["half_done"] is None
    assert "Half done" not in commission(typed="")
    commission("prime-time", "--zone", "pots", typed=lines("60 cm", "stop"))
    assert "Half done" not in commission("head-flow", "--zone", "pots", typed="")
    assert "prime-time of pots (1 entry typed); begun by Ines" in commission(typed="")


def test_the_raw_value_of_the_sensor_is_taken_from_the_service_by_a_word() -> None:
    """An echo's time, as the step says; the median of the pings of the newest reading kept."""
    said = commission("sensor-scale", typed=lines("40 cm", "read", "stop"))
    assert "The echo's time there and back in microseconds" in said
    assert "The service has kept no reading here" in said
    belief = LevelBelief("unknown")
    now = datetime.now(UTC)
    with store() as kept:
        kept.write([RecordReading(LevelReading(now - timedelta(hours=2), (3000, 3010, 3020)), belief)])
    assert "too old" in commission("sensor-scale", typed=lines("read", "stop"))
    with store() as kept:
        kept.write([RecordReading(LevelReading(now, (3130, 3140, 3110)), belief)])
    assert "3130, read at" in commission("sensor-scale", typed=lines("read", "yes", "stop"))
    with store() as kept:
        assert json.loads(kept.draft() or "")["at_work"]["typed"][:2] == ["40 cm", "3130"]


def test_a_flow_that_no_bubbler_gives_is_questioned_and_stands_when_it_is_so() -> None:
    """A bubbler of 3 L/h at 1 m gives no 30 L/h at 30 cm: 2.5 L in 5 minutes."""
    head = ("30 cm", "5 min", "", "", "")
    doubted = commission("catch-cans", "--zone", "pots", typed=lines(*head, "2.5 L", "", "0.15 L"))
    assert doubted.count("Keep it so") == 1
    assert "tomato-1-2" in doubted  # typed again and taken
    with store() as kept:
        assert json.loads(kept.draft() or "")["at_work"]["typed"] == [*head, "0.15 L"]
    kept_so = commission("catch-cans", "--zone", "pots", typed=lines("back", "2.5 L", "yes"))
    assert "Keep it so" in kept_so
    with store() as kept:
        assert json.loads(kept.draft() or "")["at_work"]["typed"] == [*head, "2.5 L"]


def test_words_where_a_number_or_a_yes_belongs_are_told() -> None:
    said = commission("sensor-scale", typed=lines("40 cm", "many"))
    assert 'Read "many": give a plain number' in said
    said = commission("wet-walk", "--zone", "pots", typed=lines("40 cm", "perhaps"))
    assert 'Read "perhaps": answer yes or no.' in said
    said = commission("prime-time", "--zone", "pots", typed=lines(""))
    assert "this one is needed" in said


# --- nothing is lost ----------------------------------------------------------------------------------


def test_the_first_test_of_a_garden_makes_its_store(state: Path) -> None:
    shutil.rmtree(state)
    commission("prime-time", "--zone", "pots", typed=lines("60 cm", "stop"))
    with store() as kept:
        assert json.loads(kept.draft() or "")["at_work"]["typed"] == ["60 cm"]


def test_back_skip_and_stop_keep_what_was_typed() -> None:
    commission("catch-cans", "--zone", "pots", typed=lines("60 cm", "6 min", "back", "7 min", "skip"))
    said = commission("head-flow", "--zone", "pots", typed=lines("14 C", "stop"))
    assert "Stopped; everything typed is kept." in said
    listed = json.loads(run("commission", "five-drums", "--list", "--json").output)
    assert "head-flow of pots (1 entry typed)" in listed["half_done"]
    assert "catch-cans of pots (2 entries typed)" in listed["half_done"]
    again = commission("catch-cans", "--zone", "pots", typed="")
    assert "the last was '7 min'" in again


def test_a_process_killed_in_the_middle_of_an_entry_goes_on_from_there(state: Path) -> None:
    arguments = [sys.executable, "-m", "scheduler.cli.main", "commission", "five-drums", "leak-at-rest"]
    talk = subprocess.Popen(
        arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ | {"COLUMNS": "200"}
    )
    assert talk.stdin is not None and talk.stdout is not None
    for text in ("hand", "", "", "2031-05-02 18:00", "71.2 cm", "14 C"):
        talk.stdin.write(text.encode() + b"\n")
    talk.stdin.flush()
    _read_until(talk, b"Air under the lid")
    talk.send_signal(signal.SIGKILL)
    talk.wait(timeout=30)
    talk.stdin.close()
    talk.stdout.close()
    said = commission("leak-at-rest", typed=lines("", "2031-05-03 10:00", "70.9 cm", "12 C", "", ""))
    assert "6 entries were typed before; the last was '14 C'." in said
    assert "Kept as record 1." in said
    with store() as kept:
        (test,) = kept.test_records()
        assert [r.level_m for r in test.record.readings] == [0.712, 0.709]
        assert test.record.at.isoformat() == "2031-05-03T17:00:00+00:00"  # 10:00 in Los Angeles' summer
        assert kept.draft() is None


def _read_until(talk: subprocess.Popen[bytes], sign: bytes) -> None:
    assert talk.stdout is not None
    heard, end = b"", time.monotonic() + 60.0
    while sign not in heard:
        assert time.monotonic() < end, heard.decode()
        ready, _, _ = select.select([talk.stdout], [], [], 1.0)
        if ready:
            heard += os.read(talk.stdout.fileno(), 4096)


def test_the_whole_round_asks_what_is_due_in_the_order_of_the_day() -> None:
    said = commission(typed=lines("skip", "skip", "6 s", "6 s", ""))
    order = ["Sensor against a ruler", "Rest with every valve shut", "travel times", "walk the lines"]
    assert [said.index(w) for w in order] == sorted(said.index(w) for w in order)
    assert "It opens in" in said and "Kept as record 1." in said


def test_without_the_daemon_the_valve_is_opened_by_hand_and_that_is_said_at_once() -> None:
    said = commission("prime-time", "--zone", "pots", typed=lines("open 10 min", "shut", "stop"))
    assert said.count("The daemon does not run here: open the valve by hand") == 2
    assert "shut by hand what was opened by hand" in said
    with store() as kept:
        assert kept.unanswered_requests() == ()


class Served:
    """A daemon as the guide sees it: that it runs, what it is asked, what it answers."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, answers: bool = True) -> None:
        self.asked: list[tuple[str, str, str | None, float | None]] = []
        self.answers = answers
        monkeypatch.setattr("scheduler.cli.valve.is_served", lambda _path: True)
        monkeypatch.setattr("scheduler.cli.valve.ask", self.ask)

    def ask(
        self, _site: object, kind: str, who: str, subject: str | None, amount: float | None, **_: object
    ) -> Asked:
        self.asked.append((kind, who, subject, amount))
        at = datetime(2031, 5, 2, tzinfo=UTC)
        answer = RecordAnswer(1, at, True, f"did {kind}") if self.answers else None
        return Asked(1, answer, f"did {kind}" if self.answers else "no answer yet")


@pytest.mark.parametrize("ending", [["stop"], [], ["skip"], ["50 cm", "30 s", "", ""]])
def test_what_the_talk_opened_is_shut_however_it_ends(
    ending: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """By stop, by the end of the input, by skipping, by the last entry of the step."""
    served = Served(monkeypatch)
    said = commission("prime-time", "--zone", "pots", typed=lines("open 10 min", *ending))
    assert served.asked == [("open_for", "Ines", "pots", 600.0), ("shut", "Ines", None, None)]
    assert said.index("did open_for") < said.index("did shut")


def test_a_valve_is_opened_again_and_shut_when_it_is_typed(monkeypatch: pytest.MonkeyPatch) -> None:
    served = Served(monkeypatch)
    typed = lines("open", "open 20 L", "open 5 min", "shut", "shut", "stop")
    said = commission("prime-time", "--zone", "pots", typed=typed)
    assert [kind for kind, *_ in served.asked] == ["open_for", "shut"]
    assert said.count("say for how long, such as open 10 min") == 2
    assert "Nothing stands open through the daemon" in said


def test_a_shut_that_is_not_confirmed_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    Served(monkeypatch, answers=False)
    said = commission("prime-time", "--zone", "pots", typed=lines("open 5 min", "stop"))
    assert "has not confirmed that it is shut" in said and "shut the hand tap" in said


def test_a_line_end_is_not_opened_by_the_daemon_where_no_sensor_sees_the_floor(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    served = Served(monkeypatch)
    said = commission("flush", "--zone", "pots", typed=lines("open 5 min", "stop"))
    assert [kind for kind, *_ in served.asked] == ["open_for", "shut"]
    text = example_text("five-drums")
    blind = text[: text.index("[sensor]")] + text[text.index("[roof]") :]
    path = tmp_path / "blind.toml"
    path.write_text(blind, encoding="utf-8")
    said = run("commission", str(path), "flush", "--zone", "pots", typed=lines("open 5 min", "stop")).output
    assert "watch the level" in " ".join(said.split())
    assert [kind for kind, *_ in served.asked] == ["open_for", "shut"]


def test_what_a_flushing_let_out_beyond_the_emitters_curve_is_told_to_the_books(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Caught: as caught. Timed: by the open end. Neither: it is said that it is not known."""
    served = Served(monkeypatch)
    said = commission("flush", "--zone", "pots", typed=lines("60 cm", "yes", "2 min", "25 L"))
    assert served.asked == [("took", "Ines", None, 25.0)] and "For the books" in said
    served = Served(monkeypatch)
    said = commission("flush", "--zone", "pots", typed=lines("60 cm", "yes", "2 min", ""))
    (took,) = served.asked
    expected_l = open_end_lph(SITE, "pots", "wall", 0.6) / 30.0
    assert took[:3] == ("took", "Ines", None) and took[3] == pytest.approx(expected_l)
    assert "by the time the open ends ran" in said
    served = Served(monkeypatch)
    said = commission("flush", "--zone", "pots", typed=lines("60 cm", "yes", "", ""))
    assert served.asked == [] and "How much ran out of wall is not known" in said


def test_what_the_daemon_booked_for_the_flushing_is_not_told_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    served = Served(monkeypatch)
    order = Order("shed", "a" * 16, 1, "aaaaaaaaaaaa.1", 1, 120_000, 10_000)

    def booked(
        site: object, kind: str, who: str, subject: str | None, amount: float | None, **more: object
    ) -> Asked:
        """The daemon opens at once, and 4 L stand in its books by the curve."""
        now = datetime.now(UTC)
        if kind == "open_for":
            intent = Intent(order, "pots", now, 0.6, (), 4.0, "Ines")
            booking = Booking(order.order_id, "pots", now.date(), now, 120.0, None, (), 4.0, 3.5, 4.5)
            with store() as kept:
                kept.write([RecordIntent(intent), RecordBooking(booking)])
        return served.ask(site, kind, who, subject, amount, **more)

    monkeypatch.setattr("scheduler.cli.valve.ask", booked)
    commission("flush", "--zone", "pots", typed=lines("open 2 min", "60 cm", "yes", "2 min", "25 L"))
    assert served.asked[-1] == ("took", "Ines", None, 21.0)


# --- from a file --------------------------------------------------------------------------------------

DRAWS = """
test = "head-flow"
zone = "pots"
date = "2031-05-02 10:30"
who = "Ines"
water = "14 C"

[[draw]]
level = "78 cm"
time = "2 min"
volume = "0.95 L"

[[draw]]
level = "30 cm"
time = "2 min"
volume = "0.66 L"
"""


def file(tmp_path: Path, text: str) -> str:
    path = tmp_path / "test.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_a_test_is_taken_from_a_file_and_its_result_told(tmp_path: Path) -> None:
    answer = json.loads(run("commission", "five-drums", "--from", file(tmp_path, DRAWS), "--json").output)
    assert (answer["step"], answer["zone"], answer["who"]) == ("head-flow", "pots", "Ines")
    assert answer["at"] == "2031-05-02T17:30:00Z"
    assert answer["questions"] == []
    assert answer["result"]["x"]["low"] < answer["result"]["x"]["value"] < answer["result"]["x"]["high"]
    listed = json.loads(run("commission", "five-drums", "--list", "--json").output)
    states = {(s["step"], s["zone"]): s["state"] for s in listed["steps"]}
    assert states["head-flow", "pots"] == "done" and states["head-flow", "border"] == "due"


def test_a_step_alone_is_one_of_the_garden_that_is_found_without_a_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the readme types it."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("FALLINGHEAD_SITE", raising=False)
    Path("site.toml").write_text(example_text("five-drums"), encoding="utf-8")
    alone = run("commission", "catch-cans", "--zone", "pots", "--blank").output
    assert alone == run("commission", "site.toml", "catch-cans", "--zone", "pots", "--blank").output
    assert 'test = "catch-cans"' in alone


def test_what_a_flushing_let_out_is_told_for_the_books_as_it_was_caught_in_the_gardens_units(
    tmp_path: Path,
) -> None:
    line = '[[line]]\nline = "bed"\nclear = true\nvolume = "1.7 gal"\n'
    text = 'test = "flush"\nzone = "high-bed"\nlevel = "17 in"\n' + line
    said = run("commission", "uneven-ground", "--from", file(tmp_path, text)).output
    assert 'fallinghead took "1.70 gal"' in said


def test_all_mistakes_of_a_file_are_told_at_once_with_their_lines(tmp_path: Path) -> None:
    wrong = DRAWS.replace('level = "78 cm"', "level = 78").replace('"0.66 L"', '"0.66 cm"')
    wrong = wrong.replace('water = "14 C"', 'watre = "14 C"')
    with pytest.raises(SiteFileError) as refused:
        run("commission", "five-drums", "--from", file(tmp_path, wrong))
    problems = refused.value.problems
    assert [(p.line, p.key.split(", ")[-1]) for p in problems] == [(6, "watre"), (9, "level"), (16, "volume")]
    assert all(p.remedy and p.read for p in problems)
    with pytest.raises(SiteFileError, match=r"test.toml:8: draw 1: read level .1.8 m., .*above the brim"):
        run("commission", "five-drums", "--from", file(tmp_path, DRAWS.replace("78 cm", "1.8 m")))
    with pytest.raises(SiteFileError, match="which test it is"):
        run("commission", "five-drums", "--from", file(tmp_path, DRAWS.replace("head-flow", "heed-flow")))


def test_what_is_questioned_in_a_file_is_taken_only_when_it_is_so(tmp_path: Path) -> None:
    one = DRAWS[: DRAWS.rindex("[[draw]]")]
    with pytest.raises(UsageError, match=r"All draws are at one level[\s\S]*Nothing was taken"):
        run("commission", "five-drums", "--from", file(tmp_path, one))
    with store() as kept:
        assert kept.test_records() == ()
    said = json.loads(
        run("commission", "five-drums", "--from", file(tmp_path, one), "--sure", "--json").output
    )
    assert [q["refused"] for q in said["questions"]] == [False]


def test_every_step_can_be_told_by_a_file(tmp_path: Path) -> None:
    """And each gives an object that a program can read."""
    zone = 'zone = "pots"\n'
    cans = "".join(f'[[can]]\nemitter = "{e}"\nvolume = "0.2 L"\n' for e in EMITTERS)
    texts = {
        "poured": "".join(
            f'[[pour]]\nadded = "{a} L"\nlevel = "{b} cm"\n' for a, b in ((0, 5), (385, 35), (385, 65))
        ),
        "sensor-scale": '[[reading]]\nlevel = "20 cm"\nraw = 4300\n'
        '[[reading]]\nlevel = "70 cm"\nraw = 1390\n',
        "leak-at-rest": 'covered = true\n[[reading]]\nat = "2031-05-02 18:00"\nlevel = "71.2 cm"\n'
        '[[reading]]\nat = "2031-05-03 10:00"\nlevel = "71.0 cm"\n',
        "travel-times": zone + '[[travel]]\nopening = "8 s"\nclosing = "8.3 s"\n',
        "wet-walk": zone + 'level = "60 cm"\n[[place]]\nwhere = "tee"\nmended = true\n',
        "flush": zone + 'level = "60 cm"\n[[line]]\nline = "wall"\nclear = true\ntime = "2 min"\n',
        "prime-time": zone + 'level = "60 cm"\nprime-time = "30 s"\n',
        "head-flow": zone + DRAWS[DRAWS.index("[[draw]]") :],
        "catch-cans": zone + 'level = "60 cm"\ntime = "6 min"\n' + cans,
        "trim": zone + f'level = "60 cm"\n[[turn]]\nemitter = "{EMITTERS[0]}"\nwide-open = true\n',
    }
    for step, text in texts.items():
        answer = json.loads(
            run("commission", "five-drums", step, "--from", file(tmp_path, text), "--sure", "--json").output
        )
        assert answer["step"] == step and answer["findings"], answer
    listed = json.loads(run("commission", "five-drums", "--list", "--json").output)
    assert {s["step"] for s in listed["steps"] if s["record"]} == set(texts)


# --- nothing caught -----------------------------------------------------------------------------------

CAN_HEAD = ("60 cm", "6 min", "", "", "")


def _cans_state() -> tuple[str, str]:
    rows = json.loads(run("commission", "five-drums", "--list", "--json").output)["steps"]
    row = next(r for r in rows if r["step"] == "catch-cans" and r["zone"] == "pots")
    return row["state"], row["why"]


def test_cans_left_empty_are_not_measured_and_the_test_stays_due() -> None:
    empty = [""] * len(EMITTERS)
    said = commission("catch-cans", "--zone", "pots", typed=lines(*CAN_HEAD, *empty, "what", "leave"))
    assert said.count("Nothing was caught: keep it (dry:") == 2
    assert "the test stays due" in said and "Kept as record" not in said and "until it gives" not in said
    with store() as kept:
        assert kept.test_records() == ()
    assert _cans_state() == ("due", "never done")
    assert "0 entries" not in commission("catch-cans", "--zone", "pots", typed=lines("60 cm", "stop"))
    assert "1 entry was typed before" in commission("catch-cans", "--zone", "pots", typed="")


def test_cans_that_all_stayed_dry_are_kept_as_nothing_in_each_without_advice() -> None:
    empty = [""] * len(EMITTERS)
    said = commission("catch-cans", "--zone", "pots", typed=lines(*CAN_HEAD, *empty, "dry"))
    assert "Kept as record 1. Every can that stood stayed dry" in said and "until it gives" not in said
    with store() as kept:
        (test,) = kept.test_records()
        assert [can.volume_l for can in test.record.cans] == [0.0] * len(EMITTERS)
    state, why = _cans_state()
    assert state == "due" and why.startswith("nothing was caught on ")


def test_a_file_of_cans_without_a_measured_one_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "cans.toml"
    cans = "".join(f'[[can]]\nemitter = "{e}"\n' for e in EMITTERS)
    path.write_text(f'test = "catch-cans"\nzone = "pots"\nlevel = "60 cm"\ntime = "6 min"\n{cans}')
    with pytest.raises(SiteFileError, match="No can is measured: write 0 where one stood"):
        run("commission", "five-drums", "--from", str(path))


@pytest.mark.parametrize(("typed", "meant"), [("cans", "catch-cans"), ("headflow", "head-flow")])
def test_a_step_that_is_spelt_otherwise_is_not_taken_for_a_site_file(typed: str, meant: str) -> None:
    with pytest.raises(UsageError, match=f"no step '{typed}'; did you mean the step '{meant}'"):
        run("commission", typed, "--blank")
