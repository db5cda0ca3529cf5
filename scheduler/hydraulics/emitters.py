"""The emitter law q = k h^x, without backward flow, and its inverse.

Two straight pieces make it solvable: below 0.1 mm of head (where k h^x with x < 1 has an endless slope), and
just above an activation head (where the flow would jump).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Below this head the law is a straight line through zero: measured here, micrometre heads with x = 0.4 are
# otherwise degenerate. 0.1 mm of water is far below what anybody can level.
LINEAR_HEAD_M = 1e-4
# Above its activation head an emitter opens over this share of it (or over 0.1 mm): our own choice.
OPENING_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class EmitterLaw:
    """Many emitters at once; each array is (emitters,). Flows in m3/s, heads in m above the emitter."""

    k: Array
    x: Array
    start_head_m: Array  # nothing flows up to here
    line_head_m: Array  # the straight piece ends here
    line_flow: Array
    power: Array  # 1/x
    curved: NDArray[np.intp]  # those whose exponent is not 0.5: the others need no power
    alive: NDArray[np.bool_]  # k > 0

    @classmethod
    def of(cls, k: Array, x: Array, activation_head_m: Array) -> EmitterLaw:
        """The law of emitters ``k h^x`` (m3/s); ValueError for a negative k or an exponent that is
        not > 0."""
        if (k < 0).any() or (x <= 0).any():
            raise ValueError("an emitter needs a coefficient >= 0 and an exponent > 0")
        line = np.maximum(
            np.maximum(activation_head_m * (1.0 + OPENING_SHARE), activation_head_m + LINEAR_HEAD_M),
            LINEAR_HEAD_M,
        )
        return cls(
            k=k,
            x=x,
            start_head_m=activation_head_m,
            line_head_m=line,
            line_flow=k * line**x,
            power=1.0 / x,
            curved=np.nonzero(x != 0.5)[0],
            alive=k > 0.0,
        )

    def flow(self, head_m: Array) -> Array:
        """Flow (m3/s) at a head (m); (..., emitters)."""
        bounded = np.maximum(head_m, self.line_head_m)
        root = np.sqrt(bounded)
        if len(self.curved):
            root[..., self.curved] = bounded[..., self.curved] ** self.x[self.curved]
        curved = self.k * root
        low = head_m < self.line_head_m
        if not low.any():
            return np.asarray(curved)
        rise = (head_m - self.start_head_m) / (self.line_head_m - self.start_head_m)
        return np.where(low, self.line_flow * np.clip(rise, 0.0, 1.0), curved)

    def head(self, flow: Array) -> tuple[Array, Array]:
        """Head (m) that a flow >= 0 (m3/s) needs, and its slope (m per m3/s); closed emitters give (0, 1)."""
        safe_k = np.where(self.alive, self.k, 1.0)
        safe_line = np.where(self.alive, self.line_flow, 1.0)
        bounded = np.maximum(flow, safe_line)
        ratio = bounded / safe_k
        head = ratio * ratio
        if len(self.curved):
            head[..., self.curved] = ratio[..., self.curved] ** self.power[self.curved]
            slope = self.power * head / bounded
        else:
            slope = (2.0 / safe_k) * ratio
        low = flow < safe_line
        if low.any():
            straight = np.broadcast_to((self.line_head_m - self.start_head_m) / safe_line, flow.shape)
            start = np.broadcast_to(self.start_head_m, flow.shape)
            head[low] = start[low] + straight[low] * flow[low]
            slope[low] = straight[low]
        return head, slope
