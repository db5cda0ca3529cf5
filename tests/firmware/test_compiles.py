from __future__ import annotations

from pathlib import Path

from tests.support.micropython import FIRMWARE, run_micropython

SCRIPT = Path(__file__).with_name("on_micropython_compile.py")


def test_the_boards_interpreter_compiles_every_file_of_the_firmware() -> None:
    files = sorted(FIRMWARE.glob("*.py"))
    assert {"main.py", "drivers.py", "core.py", "mqtt.py"} <= {f.name for f in files}
    done = run_micropython(SCRIPT, *map(str, files))
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["compiled", str(len(files))]


def test_what_the_interpreter_cannot_compile_is_found(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("match 1:\n    case 1: pass\n")  # Python, but not in this interpreter
    assert run_micropython(SCRIPT, str(bad)).returncode != 0


def test_the_readme_names_every_file_that_goes_to_a_board() -> None:
    text = " ".join((FIRMWARE / "README.md").read_text().split())
    names = text.split("then copy `", 1)[1].split("`", 1)[0].split()
    kept_here = {"__init__.py", "practice_board.py", "run_practice_node.py"}
    assert set(names) == {f.name for f in FIRMWARE.glob("*.py")} - kept_here
