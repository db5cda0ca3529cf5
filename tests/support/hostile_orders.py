"""What ``tests/firmware/on_micropython_mutations.py`` prints, by whichever interpreter ran it."""

from __future__ import annotations

import subprocess


def refused_all(done: subprocess.CompletedProcess[str], count: int) -> bool:
    """Whether each of so many was refused, of every way a good share, while a genuine order was accepted
    before every thousand and at the end. Prints the ways."""
    assert done.returncode == 0, done.stdout + done.stderr
    first, ways = done.stdout.splitlines()
    print(f"\n{ways}")
    counts = [int(pair.split("=")[1]) for pair in ways.split()]
    genuine = count // 1000 + 1
    return (
        first.split() == ["tried", str(count), "refused", str(count), "genuine", str(genuine)]
        and sum(counts) == count
        and min(counts) > count // 10
    )
