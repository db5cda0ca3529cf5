"""Small changes of the code that the tests must notice: ``python -m tests.mutants``. By hand only.

mutmut (``pip install fallinghead[mutants]``) makes the changes and runs, for each, the fast tests that reach
the changed function, in forks of one process. This works on a copy of the tree. Of a module's mutants as many
as asked are drawn, by a seed that is printed. ``table.csv`` keeps what was last found, ``survivors.csv`` why
one was left alive; reasons are added to it by hand. Words for people (notes, the diary) are not changed, nor
can mutmut change what stands outside of functions: constants and tables. A function of which there is no
mutant, and a mutant that ended by time, are named.
"""

from __future__ import annotations

import argparse
import ast
import csv
import difflib
import fcntl
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("table.csv")
SURVIVORS = Path(__file__).with_name("survivors.csv")
COLUMNS = ("module", "mutants", "tried", "seed", "killed", "by_time", "survived", "equivalent", "share_pct")

CORE = tuple(
    f"tests/firmware/test_{n}.py"
    for n in ("node_bounds", "node_memory", "diary", "node_core", "node_machine")
)
CONTROL = tuple(
    f"tests/control/test_{n}.py"
    for n in (
        "supervision", "booking", "controller", "refusals", "links", "closing_at_fault", "openings",
        "told_by_people", "node_restarted", "valve_without_power", "meter", "near_empty", "unknown_rain",
        "rain_seen",
    )
)  # fmt: skip
BOOKS = tuple(f"tests/control/test_{n}.py" for n in ("booking", "meter", "told_by_people", "rain_seen"))
CONTROLLER = tuple(f"tests/control/test_{n}.py" for n in ("controller_parts", "controller"))
# What is changed, and the tests that must notice: those that are quick, for each mutant runs them again.
MODULES: dict[str, tuple[str, ...]] = {
    "firmware_stub/codec.py": ("tests/firmware/test_codec.py", "tests/link/test_vectors.py"),
    "firmware_stub/core.py": CORE,
    "firmware_stub/frames.py": CORE,
    "firmware_stub/memory.py": CORE,
    "firmware_stub/settings.py": CORE,
    "firmware_stub/valve.py": ("tests/firmware/test_valve.py", *CORE),
    "firmware_stub/diary.py": ("tests/firmware/test_diary.py",),
    "scheduler/control/controller.py": CONTROLLER,
    "scheduler/control/ledger.py": BOOKS,
    "scheduler/control/meter.py": BOOKS,
    "scheduler/control/refusals.py": CONTROL,
    "scheduler/control/supervision.py": CONTROL,
}
# Tests that start another program, which would not see the change; and long random walks.
NOT_HERE = (
    "tests/firmware/test_node_core.py::test_of_a_hundred_thousand_hostile_orders_none_opens_on_micropython",
    "tests/firmware/test_node_core.py::test_the_core_works_in_112_kilobytes_of_heap",
    "tests/firmware/test_node_core.py::test_no_walk_opens_longer_than_orders_allow",
    "tests/link/test_vectors.py::test_micropython_makes_and_reads_the_same_bytes",
)
# Lines that only hold words for people: notes, the diary, a line that is one string and nothing else.
WORDS = (r"Note\(", r"diary\.note", r'^\s*f?"[^"]* [^"]*"[,)]*$')
# Characters shown around a change.
AROUND = 50
# A mutant whose tests take so many times as long as they should counts as found, by time.
TIMES_AS_LONG = 5
# mutmut's own exit codes: 1, 3: a test failed; 0: survived; 33: no test reaches it; others: time, or death.
KILLED, SURVIVED, UNREACHED = (1, 3), 0, 33


@dataclass(frozen=True, slots=True)
class Survivor:
    module: str
    function: str
    was: str
    now: str


def copied(made: Path, module: str) -> None:
    """The tree, and what mutmut is told."""
    for name in ("scheduler", "firmware_stub", "tests", "deploy"):
        shutil.copytree(ROOT / name, made / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", made)
    told = {
        "source_paths": [module.split("/")[0], *(("scheduler",) if module.startswith("firmware") else ())],
        "only_mutate": [module],
        "also_copy": ["deploy", "firmware_stub", "scheduler"],
        "do_not_mutate_patterns": list(WORDS),
        "timeout_multiplier": [str(TIMES_AS_LONG)],
        "pytest_add_cli_args_test_selection": list(MODULES[module]),
        "pytest_add_cli_args": [
            "-p",
            "no:cacheprovider",
            "-p",
            "no:xdist",
            *(f"--deselect={t}" for t in NOT_HERE),
        ],
    }
    lines = ["[mutmut]"]
    for key, values in told.items():
        lines += [f"{key}=", *(f"    {value}" for value in values)]
    (made / "setup.cfg").write_text("\n".join(lines) + "\n")


def mutmut(made: Path, names: list[str]) -> str:
    """One run of mutmut, over the mutants of those names."""
    environment = os.environ | {"PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "mutmut", "run", "--max-children", "1", *names]
    done = subprocess.run(command, cwd=made, env=environment, capture_output=True, text=True, check=False)
    return done.stdout[-3000:] + done.stderr[-3000:]


def codes(made: Path, module: str) -> dict[str, int | None]:
    found: dict[str, int | None] = json.loads((made / "mutants" / f"{module}.meta").read_text())[
        "exit_code_by_key"
    ]
    return found


def bodies(made: Path, module: str) -> dict[str, list[str]]:
    """Each function of the text that mutmut wrote: the first ones and the changed ones."""
    tree = ast.parse((made / "mutants" / module).read_text())
    return {
        n.name: ast.unparse(n).splitlines()
        for n in ast.walk(tree)
        if isinstance(n, ast.FunctionDef) and "__mutmut_" in n.name
    }


def untouched(found: dict[str, list[str]], module: str) -> list[str]:
    """Functions of the module of which there is no mutant: too plain, all words, or decorated."""
    mutated = {n.split("__mutmut_")[0].removeprefix("x").strip("_ǁ").rsplit("ǁ", 1)[-1] for n in found}
    tree = ast.parse((ROOT / module).read_text())
    names = (n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef))
    return sorted({n for n in names if n.strip("_") not in mutated})


def survivor(found: dict[str, list[str]], module: str, name: str) -> Survivor:
    """What the mutant of that name changed; its first line holds the defaults."""
    short = name.rsplit(".", 1)[1]
    original = re.sub(r"__mutmut_\d+$", "__mutmut_orig", short)
    before, after = ([re.sub(r"^(def )\w+", r"\1f", f[0]), *f[1:]] for f in (found[original], found[short]))
    lines = list(difflib.unified_diff(before, after, n=0, lineterm=""))[2:]
    was, now = shortened(*(" ".join(x[1:].strip() for x in lines if x.startswith(sign)) for sign in "-+"))
    return Survivor(module, original.removesuffix("__mutmut_orig").lstrip("x").strip("_ǁ"), was, now)


def shortened(was: str, now: str) -> tuple[str, str]:
    """Long statements without what is the same far before and far behind the change."""
    before = alike(was, now)
    behind = alike(was[before:][::-1], now[before:][::-1])
    first, left = (before - AROUND, "…") if before > AROUND + 20 else (0, "")
    last, right = (behind - AROUND, "…") if behind > AROUND + 20 else (0, "")
    return left + was[first : len(was) - last] + right, left + now[first : len(now) - last] + right


def alike(a: str, b: str) -> int:
    """How many characters at the beginning are the same."""
    return next((n for n, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))


def reasons() -> dict[Survivor, str]:
    if not SURVIVORS.exists():
        return {}
    with SURVIVORS.open(newline="") as file:
        return {
            Survivor(r["module"], r["function"], r["was"], r["now"]): r["why"] for r in csv.DictReader(file)
        }


def tried(module: str, sample: int, seed: int) -> tuple[dict[str, str | int], list[Survivor], list[str]]:
    """A row of the table, who survived, and what else is to be looked at: ends by time, functions without."""
    with tempfile.TemporaryDirectory() as place:
        made = Path(place)
        copied(made, module)
        said = mutmut(
            made, ["no.mutant.of.this.name"]
        )  # makes the mutants, and learns which test reaches what
        names = sorted(codes(made, module))
        drawn = random.Random(seed).sample(names, min(sample, len(names)))
        said = mutmut(made, drawn)
        ended = [(name, codes(made, module)[name]) for name in drawn]
        if any(code is None for _name, code in ended):
            raise SystemExit(f"{module}: mutmut did not come to its end:\n{said}")
        found = bodies(made, module)
        alive = [survivor(found, module, name) for name, code in ended if code in (SURVIVED, UNREACHED)]
        late = [
            f"by time: {s.function}\n  - {s.was}\n  + {s.now}"
            for s in (survivor(found, module, n) for n, c in ended if c not in (*KILLED, SURVIVED, UNREACHED))
        ]
        without = untouched(found, module)
    killed = sum(code in KILLED for _name, code in ended)
    equivalent = sum(reasons().get(s, "").startswith("equivalent") for s in alive)
    dead = len(drawn) - len(alive)
    row: dict[str, str | int] = {
        "module": module, "mutants": len(names), "tried": len(drawn), "seed": seed, "killed": killed,
        "by_time": dead - killed, "survived": len(alive), "equivalent": equivalent,
        "share_pct": f"{100.0 * dead / max(1, len(drawn)):.1f}",
    }  # fmt: skip
    return row, alive, [*late, f"no mutant of: {', '.join(without) or 'none'}"]


def kept(row: dict[str, str | int]) -> None:
    """The row in the table in place of the module's last one; two runs at once do not lose each other's."""
    with TABLE.open("a+", newline="") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        file.seek(0)
        rows = {r["module"]: dict(r) for r in csv.DictReader(file)} | {str(row["module"]): row}
        file.truncate(0)
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows[m] for m in MODULES if m in rows)


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.add_argument("--only", default="", help="modules whose path holds this")
    parser.add_argument("--sample", type=int, default=150, help="mutants tried of each module, at most")
    parser.add_argument("--seed", type=int, default=1, help="draws them")
    asked = parser.parse_args(given)
    known = reasons()
    for module in MODULES:
        if asked.only not in module:
            continue
        row, alive, more = tried(module, asked.sample, asked.seed)
        kept(row)
        print(" ".join(f"{k}={v}" for k, v in row.items()), flush=True)
        for s in alive:
            print(
                f"survived: {s.function}\n  - {s.was}\n  + {s.now}\n  {known.get(s, 'not looked at')}",
                flush=True,
            )
        print("\n".join(more), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
