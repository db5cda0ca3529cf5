"""Small changes of the code that the tests must notice: ``python -m tests.simulation.mutants --each 20``.

By hand only. Works on a copy of the tree; prints each mutant that no test killed, and the share killed. The
seed chooses which of all possible changes are tried.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
# What is changed, and the tests that must notice.
NODE = tuple(f"tests/firmware/test_{name}.py" for name in ("node_core", "node_machine", "valve_stopwatch"))
CONTROL = tuple(
    f"tests/control/test_{name}.py"
    for name in (
        "controller", "controller_machine", "refusals", "links", "closing_at_fault", "openings",
        "told_by_people", "node_restarted", "valve_without_power", "meter",
    )
)  # fmt: skip
TARGETS: dict[str, tuple[str, ...]] = {
    "firmware_stub/codec.py": (*NODE, "tests/link/test_vectors.py"),
    "firmware_stub/core.py": NODE,
    "firmware_stub/valve.py": NODE,
    "scheduler/control/ledger.py": CONTROL,
    "scheduler/control/controller.py": CONTROL,
    "scheduler/control/supervision.py": CONTROL,
    "scheduler/control/refusals.py": CONTROL,
    "scheduler/control/links.py": CONTROL,
}
# A mutant that hangs is found out too.
SECONDS_MAX = 240
SWAPPED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult
}  # fmt: skip


def changes(tree: ast.Module) -> Iterator[tuple[int, int, int, str]]:
    """Every one-place change: place, which of its changes, line, what."""
    for index, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.Compare | ast.BoolOp | ast.UnaryOp | ast.BinOp | ast.Expr):
            for which in range(2):
                what = _change(copy.deepcopy(node), which)
                if what is not None:
                    yield index, which, node.lineno, what


def changed(tree: ast.Module, index: int, which: int) -> str:
    """The text with that change."""
    tree = copy.deepcopy(tree)
    _change(next(n for i, n in enumerate(ast.walk(tree)) if i == index), which)
    return ast.unparse(tree)


def _change(node: ast.AST, which: int) -> str | None:
    if isinstance(node, ast.Compare) and which == 0 and type(node.ops[0]) in SWAPPED:
        before = type(node.ops[0])
        node.ops[0] = SWAPPED[before]()
        return f"{before.__name__} -> {SWAPPED[before].__name__}"
    if isinstance(node, ast.BoolOp) and which == 0:
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        return "and <-> or"
    if isinstance(node, ast.BoolOp) and which == 1:
        node.values = node.values[1:] if len(node.values) > 2 else [node.values[1], node.values[1]]
        return "first condition dropped"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not) and which == 0:
        node.op = ast.Not()
        node.operand = ast.UnaryOp(ast.Not(), node.operand)
        return "not dropped"
    if isinstance(node, ast.BinOp) and which == 0 and type(node.op) in ARITHMETIC:
        before_op = type(node.op)
        node.op = ARITHMETIC[before_op]()
        return f"{before_op.__name__} -> {ARITHMETIC[before_op].__name__}"
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call) and which == 0:
        said = ast.unparse(node.value)[:50]
        node.value = ast.Constant(None)
        return f"call dropped: {said}"
    return None


def _tried(path: str, each: int, rng: random.Random) -> list[tuple[int, str, str]]:
    tree = ast.parse((ROOT / path).read_text())
    # Words for people are left alone.
    found = [c for c in changes(tree) if "Note(" not in c[3] and "diary" not in c[3]]
    some = rng.sample(found, min(each, len(found)))
    return [(line, what, changed(tree, index, which)) for index, which, line, what in some]


def main(given: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation.mutants", description=__doc__)
    parser.add_argument("--each", type=int, default=10, help="mutants of each file")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60.0, help="begin nothing new after so long")
    parser.add_argument("--only", default="", help="files whose path holds this")
    asked = parser.parse_args(given)
    end, rng = time.monotonic() + 60.0 * asked.minutes, random.Random(asked.seed)
    killed = tried = 0
    with tempfile.TemporaryDirectory() as made:
        copied = Path(made)
        for name in ("scheduler", "firmware_stub", "tests", "deploy", "pyproject.toml"):
            source = ROOT / name
            if source.is_dir():
                shutil.copytree(source, copied / name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(source, copied / name)
        for path, tests in TARGETS.items():
            if asked.only not in path:
                continue
            for line, what, text in _tried(path, asked.each, rng):
                if time.monotonic() > end:
                    break
                tried += 1
                dead = _killed(copied, path, text, tests)
                killed += dead
                if not dead:
                    print(f"survived: {path}:{line} {what}", flush=True)
            (copied / path).write_text((ROOT / path).read_text())
    print(f"{killed} of {tried} killed ({100.0 * killed / max(1, tried):.0f} %)")
    return 0


def _killed(copied: Path, path: str, text: str, tests: tuple[str, ...]) -> bool:
    (copied / path).write_text(text)
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
    environment = os.environ | {"PYTHONPATH": str(copied), "PYTHONDONTWRITEBYTECODE": "1"}
    try:
        ran = subprocess.run(
            command, cwd=copied, env=environment, capture_output=True, timeout=SECONDS_MAX, check=False
        )
    except subprocess.TimeoutExpired:
        return True
    return ran.returncode != 0


if __name__ == "__main__":
    sys.exit(main())
