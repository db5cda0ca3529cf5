"""Small changes of the code that the tests must notice: ``python -m tests.mutants``. By hand only.

mutmut (``pip install fallinghead[mutants]``) makes the changes and runs, for each, the fast tests that reach
the changed function, in forks of one process. This works on a copy of the tree. Of a module's mutants as many
as asked are drawn, by a seed that is printed. ``table.csv`` keeps what was last found, ``survivors.csv`` who
survived; the reasons are added to it by hand. Words for people (notes, the diary) are not changed, nor
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
from collections import Counter
from dataclasses import astuple, dataclass, replace
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
CONTROLLER = tuple(f"tests/control/test_{n}.py" for n in ("controller_parts", "controller", "pulses"))
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
NOT_YET = "not looked at"
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
    mutated = {re.sub(r"^x_|^x.*ǁ", "", n.split("__mutmut_")[0]).strip("_") for n in found}
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


@dataclass(frozen=True, slots=True)
class Found:
    """A row of the table, who survived, who was found now, and what else is to be looked at."""

    row: dict[str, str | int]
    alive: list[Survivor]
    dead: set[Survivor]
    of_module: set[Survivor]
    more: list[str]


def told_apart(changes: dict[str, Survivor]) -> dict[str, Survivor]:
    """The same change at two places of a function bears a number."""
    seen: Counter[Survivor] = Counter()
    apart = {}
    for name, s in changes.items():
        seen[s] += 1
        apart[name] = s if seen[s] == 1 else replace(s, function=f"{s.function} ({seen[s]})")
    return apart


def excuse(why: str) -> bool:
    return why.startswith("equivalent")


def drawn_before(module: str, names: list[str]) -> tuple[list[str], dict[str, str]]:
    """The mutants that the table's row is about, and the row."""
    with TABLE.open(newline="") as file:
        row = next(r for r in csv.DictReader(file) if r["module"] == module)
    if int(row["mutants"]) != len(names):
        raise SystemExit(f"{module} is not the one of the table any more: try it whole")
    return random.Random(int(row["seed"])).sample(names, int(row["tried"])), row


def tried(module: str, sample: int, seed: int, *, again: bool = False) -> Found:
    """``again``: only those of the last time that survived and are not equivalent."""
    known = reasons()
    with tempfile.TemporaryDirectory() as place:
        made = Path(place)
        copied(made, module)
        mutmut(made, ["no.mutant.of.this.name"])  # makes the mutants, and learns which test reaches what
        bare = bodies(made, module)
        changes = told_apart({n: survivor(bare, module, n) for n in sorted(codes(made, module))})
        old: dict[str, str] = {}
        excused = 0
        if again:
            before, old = drawn_before(module, list(changes))
            drawn = [n for n in before if changes[n] in known and not excuse(known[changes[n]])]
            excused = sum(excuse(known.get(changes[n], "")) for n in before)
        else:
            drawn = random.Random(seed).sample(list(changes), min(sample, len(changes)))
        said = mutmut(made, drawn) if drawn else ""
        ended = {name: codes(made, module)[name] for name in drawn}
    if any(code is None for code in ended.values()):
        raise SystemExit(f"{module}: mutmut did not come to its end:\n{said}")
    alive = [changes[name] for name, code in ended.items() if code in (SURVIVED, UNREACHED)]
    late = [changes[n] for n, code in ended.items() if code not in (*KILLED, SURVIVED, UNREACHED)]
    killed = sum(code in KILLED for code in ended.values()) + int(old.get("killed", 0))
    by_time = len(late) + int(old.get("by_time", 0))
    of_all = int(old.get("tried", len(drawn)))
    equivalent = excused + sum(excuse(known.get(s, "")) for s in alive)
    row: dict[str, str | int] = {
        "module": module, "mutants": len(changes), "tried": of_all, "seed": old.get("seed", seed),
        "killed": killed, "by_time": by_time, "survived": of_all - killed - by_time, "equivalent": equivalent,
        "share_pct": f"{100.0 * (killed + by_time) / max(1, of_all):.1f}",
    }  # fmt: skip
    more = [f"by time: {s.function}\n  - {s.was}\n  + {s.now}" for s in late]
    more += [f"no mutant of: {', '.join(untouched(bare, module)) or 'none'}"]
    dead = {changes[n] for n in drawn} - set(alive)
    return Found(row, alive, dead, set(changes.values()), more)


def noted(module: str, found: Found) -> None:
    """Who survived, with its reason; those that are found now, or stand in no text any more, go."""
    known = reasons()
    own = {s: why for s, why in known.items() if s.module == module and s in found.of_module - found.dead}
    own = {s: known.get(s, NOT_YET) for s in found.alive} | own
    rows = {s: why for s, why in known.items() if s.module != module} | own
    with SURVIVORS.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow((*Survivor.__slots__, "why"))
        order = [s for m in MODULES for s in sorted(rows, key=astuple) if s.module == m]
        writer.writerows((*astuple(s), rows[s]) for s in order)


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
    parser.add_argument("--again", action="store_true", help="only those that survived the last time")
    asked = parser.parse_args(given)
    for module in MODULES:
        if asked.only not in module:
            continue
        found = tried(module, asked.sample, asked.seed, again=asked.again)
        kept(found.row)
        noted(module, found)
        known = reasons()
        print(" ".join(f"{k}={v}" for k, v in found.row.items()))
        for s in found.alive:
            print(f"survived: {s.function}\n  - {s.was}\n  + {s.now}\n  {known[s]}")
        print("\n".join(found.more), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
