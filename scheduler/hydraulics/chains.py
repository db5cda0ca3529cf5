"""The nodal system of a garden, eliminated along its lines.

Most nodes of a garden lie in a row: they have two neighbours. Rows of such nodes are chains between
*junctions* (three neighbours or more). The chains of all levels together are one tridiagonal system, solved
in one call for the right-hand side and for the pull of the junction at either end; what is left is a small
dense system of the junctions (a Schur complement; Golub & Van Loan, Matrix Computations). Rings need nothing
special: they are chains too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.banded import dptsv

Array = NDArray[np.float64]
IntArray = NDArray[np.intp]

# More junctions than this are left to the band solver: the dense part grows with their third power.
JUNCTIONS_MAX = 12


@dataclass(frozen=True, slots=True)
class Chains:
    """Chain nodes come first in ``order`` (chain by chain), then the junctions. Pipe number P and junction
    number J stand for none: their column is zero."""

    order: list[int]  # node numbers
    n_inner: int  # nodes in chains
    n_junctions: int
    next_pipe: IntArray  # (n_inner,): to the next node of the chain
    first: IntArray  # (chains,) place of the first node
    last: IntArray
    first_pipe: IntArray  # (chains,) from the first node to a junction
    last_pipe: IntArray
    first_junction: IntArray  # (chains,)
    last_junction: IntArray
    first_of_node: IntArray  # (n_inner,)
    last_of_node: IntArray
    between: tuple[tuple[int, int, int], ...]  # pipes from junction to junction

    def solve(self, diagonal: Array, carry: Array, right: Array) -> Array:
        """Head changes (levels, nodes) for conductances ``carry`` (levels, pipes + 1; the last is zero)."""
        n_levels, m = len(diagonal), self.n_inner
        columns = np.zeros((3 if self.n_junctions else 1, n_levels, m))
        columns[0] = right[:, :m]
        if self.n_junctions:
            pull_first, pull_last = -carry[:, self.first_pipe], -carry[:, self.last_pipe]
            columns[1][:, self.first] = pull_first
            columns[2][:, self.last] = pull_last
        columns = _tridiagonal(diagonal[:, :m], -carry[:, self.next_pipe], columns)
        if not self.n_junctions:
            return np.asarray(columns[0])
        pulls = pull_first, pull_last
        return self._with_junctions(columns, pulls, diagonal[:, m:], carry, right[:, m:])

    def _with_junctions(
        self, columns: Array, pulls: tuple[Array, Array], diagonal: Array, carry: Array, right: Array
    ) -> Array:
        n_levels, m, j = len(diagonal), self.n_inner, self.n_junctions
        system = np.zeros((n_levels, j + 1, j + 1))
        rest = np.zeros((n_levels, j + 1))
        rest[:, :j] = right
        system[:, range(j), range(j)] = diagonal
        for pipe, a, b in self.between:
            system[:, a, b] -= carry[:, pipe]
            system[:, b, a] -= carry[:, pipe]
        ends = ((self.first, self.first_junction, pulls[0]), (self.last, self.last_junction, pulls[1]))
        for place, junction, pull in ends:
            own, by_first, by_last = (pull * column[:, place] for column in columns)
            for c, at in enumerate(junction.tolist()):
                rest[:, at] -= own[:, c]
                system[:, at, self.first_junction[c]] -= by_first[:, c]
                system[:, at, self.last_junction[c]] -= by_last[:, c]
        change = np.empty((n_levels, m + j))
        moved = np.zeros((n_levels, j + 1))
        moved[:, :j] = _dense(system[:, :j, :j], rest[:, :j])
        change[:, m:] = moved[:, :j]
        change[:, :m] = columns[0]
        change[:, :m] -= columns[1] * moved[:, self.first_of_node]
        change[:, :m] -= columns[2] * moved[:, self.last_of_node]
        return change


def _tridiagonal(diagonal: Array, off: Array, columns: Array) -> Array:
    """Solve all levels' chains in one call; ``columns`` (right-hand sides, levels, nodes) are overwritten."""
    if diagonal.size < 2:
        return np.asarray(columns / diagonal) if diagonal.size else columns
    _, _, solved, info = dptsv(
        np.ascontiguousarray(diagonal).reshape(-1),
        off.reshape(-1)[:-1],
        columns.reshape(len(columns), -1).T,
        overwrite_d=1,
        overwrite_e=1,
        overwrite_b=1,
    )
    if info != 0:  # pragma: no cover - every conductance is positive
        raise ArithmeticError(f"the nodal system is not positive definite (LAPACK {info})")
    return np.asarray(solved).T.reshape(columns.shape)


def _dense(system: Array, right: Array) -> Array:
    """Solve small symmetric positive definite systems (levels, j, j), all levels at each step; both are
    overwritten. No pivoting is needed for such systems (Golub & Van Loan)."""
    j = right.shape[1]
    for i in range(j - 1):
        share = system[:, i + 1 :, i] / system[:, i, i, None]
        system[:, i + 1 :, i + 1 :] -= share[:, :, None] * system[:, None, i, i + 1 :]
        right[:, i + 1 :] -= share * right[:, i, None]
    for i in range(j - 1, -1, -1):
        right[:, i] /= system[:, i, i]
        right[:, :i] -= system[:, :i, i] * right[:, i, None]
    return right


def find_chains(beside: list[list[tuple[int, int, float]]], n_pipes: int) -> Chains | None:
    """The chains of a network; ``beside``: (neighbour, pipe, sign) of each node. None: too many junctions."""
    inner = [[(other, pipe) for other, pipe, _ in row if other] for row in beside]
    junction = _junctions(inner)
    if sum(junction) > JUNCTIONS_MAX:
        return None
    number = {node: i for i, node in enumerate(n for n in range(1, len(beside)) if junction[n])}
    none_p, none_j = n_pipes, len(number)
    order: list[int] = []
    next_pipe: list[int] = []
    ends: list[tuple[int, int, int, int, int, int]] = []
    seen = {0, *number}
    for start in range(1, len(beside)):
        if start in seen or sum(not junction[o] for o, _ in inner[start]) > 1:
            continue  # a chain is walked from an end of it
        first_place = len(order)
        chain, pipes = _walk(start, inner, junction)
        seen.update(chain)
        order += chain
        next_pipe += [*pipes, none_p]
        outward = [
            [(number[o], p) for o, p in inner[chain[end]] if junction[o]] + [(none_j, none_p)] * 2
            for end in (0, -1)
        ]
        second = outward[1][1 if len(chain) == 1 else 0]
        ends.append((first_place, len(order) - 1, outward[0][0][1], second[1], outward[0][0][0], second[0]))
    rows = np.array(ends, dtype=np.intp).reshape(-1, 6).T
    lengths = rows[1] - rows[0] + 1
    return Chains(
        order=[*order, *number],
        n_inner=len(order),
        n_junctions=none_j,
        next_pipe=np.array(next_pipe, dtype=np.intp),
        first=rows[0],
        last=rows[1],
        first_pipe=rows[2],
        last_pipe=rows[3],
        first_junction=rows[4],
        last_junction=rows[5],
        first_of_node=np.repeat(rows[4], lengths),
        last_of_node=np.repeat(rows[5], lengths),
        between=_between(inner, number),
    )


def _junctions(inner: list[list[tuple[int, int]]]) -> list[bool]:
    """Nodes with three inner neighbours or more or two pipes to one, and one node of each closed ring."""
    junction = [
        node > 0 and (len(row) > 2 or len({o for o, _ in row}) < len(row)) for node, row in enumerate(inner)
    ]
    seen: set[int] = {0}
    for start in range(1, len(inner)):
        if start in seen or junction[start]:
            continue
        part, queue = {start}, [start]
        for node in queue:
            for other, _ in inner[node]:
                if not junction[other] and other not in part:
                    part.add(other)
                    queue.append(other)
        seen |= part
        if len(part) > 2 and all(sum(not junction[o] for o, _ in inner[n]) == 2 for n in part):
            junction[start] = True
    return junction


def _walk(
    start: int, inner: list[list[tuple[int, int]]], junction: list[bool]
) -> tuple[list[int], list[int]]:
    chain: list[int] = [start]
    pipes: list[int] = []
    before = 0
    while True:
        onward = [(o, p) for o, p in inner[chain[-1]] if not junction[o] and o != before]
        if not onward:
            return chain, pipes
        before = chain[-1]
        chain.append(onward[0][0])
        pipes.append(onward[0][1])


def _between(inner: list[list[tuple[int, int]]], number: dict[int, int]) -> tuple[tuple[int, int, int], ...]:
    return tuple(
        (pipe, i, number[other])
        for node, i in number.items()
        for other, pipe in inner[node]
        if other in number and number[other] > i
    )
