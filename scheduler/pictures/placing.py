"""Where words have room among curves: off the curves, off other words, inside the axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Width of a letter and half the height of a line of words, inches at the size of small labels.
_LETTER_IN, _HALF_LINE_IN = 0.062, 0.075
_SAMPLES = 13


class Spot(NamedTuple):
    """Where words stand: their left and right end and their middle height, in the axes' own values."""

    left: float
    right: float
    y: float


@dataclass(slots=True)
class Room:
    """The axes' words so far, and the curves that they keep off: each as its x, rising, and y (nan: none)."""

    axes: Any
    curves: Sequence[tuple[Array, Array]]
    taken: list[Spot] = field(default_factory=list)

    def _inch(self) -> tuple[float, float]:
        """An inch across and up, in the axes' own values."""
        box, size = self.axes.get_position(), self.axes.figure.get_size_inches()
        (left, right), (low, high) = self.axes.get_xlim(), self.axes.get_ylim()
        return (right - left) / (box.width * size[0]), (high - low) / (box.height * size[1])

    def beside(
        self, x: float, y: float, text: str, *, rows: Sequence[float], gaps: Sequence[float] = (1.0,)
    ) -> Spot:
        """The first spot right or left of ``x`` that has room, by how many letters it keeps off and how many
        lines it stands above ``y``; else the one with most. It is taken then."""
        across, up = self._inch()
        letter, line = _LETTER_IN * across, 2.0 * _HALF_LINE_IN * up
        wide = letter * len(text)
        spots = [
            Spot(left, left + wide, y + row * line)
            for gap in gaps
            for row in rows
            for left in (x + gap * letter, x - gap * letter - wide)
        ]
        best = max(spots, key=self.freedom)
        self.taken.append(best)
        return best

    def freedom(self, spot: Spot) -> float:
        """1 where it has room on all sides, else the share of half a line that there is; below 0: outside, or
        on other words."""
        _, up = self._inch()
        (left, right), (low, high) = self.axes.get_xlim(), self.axes.get_ylim()
        if spot.left < left or spot.right > right:
            return -1.0
        half: float = _HALF_LINE_IN * up
        room: list[float] = [spot.y - low, high - spot.y]
        others = [0.5 * abs(spot.y - other.y) for other in self.taken if _meet(spot, other)]
        if min(others, default=half) < half:
            return min(others) / half - 1.0  # words on words are worse than words on a curve
        for xs, ys in self.curves:
            at = np.linspace(spot.left, spot.right, _SAMPLES)
            inside = (xs > spot.left) & (xs < spot.right)
            heights = np.concatenate([np.interp(at, xs, ys, left=np.nan, right=np.nan), ys[inside]])
            known = heights[np.isfinite(heights)]
            if known.size:
                # A curve that passes through the words is at no distance, however steep.
                crosses = known.min() < spot.y < known.max()
                room.append(0.0 if crosses else float(np.abs(known - spot.y).min()))
        return min(1.0, min(room) / half)


def _meet(one: Spot, other: Spot) -> bool:
    return one.left < other.right and other.left < one.right
