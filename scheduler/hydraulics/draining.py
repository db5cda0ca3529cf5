"""What is empty in lines that have drained through their lowest emitters, and where that water went."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from scheduler.hydraulics.network import Network

Array = NDArray[np.float64]

# An emitter this far above the surface in a draining line still takes its part of the last film (our choice).
_FILM_HEAD_M = 1e-3
_BISECTIONS = 60
_DRAIN_STEPS = 40


def _span(network: Network) -> tuple[Array, Array]:
    """Lowest and highest elevation of the water in each pipe (m); a level pipe spans its bore."""
    a = network.node_elevation_m[network.pipe_from]
    b = network.node_elevation_m[network.pipe_to]
    return np.minimum(a, b), np.maximum(a, b) + network.pipe_bore_m


def _above(network: Network, volume_l: Array, surface_m: float) -> Array:
    """Litres of each pipe that stand above a surface."""
    low, high = _span(network)
    return np.asarray(volume_l * np.clip((high - surface_m) / (high - low), 0.0, 1.0))


def emptied_l(network: Network, share: float) -> Array:
    """Litres missing from each pipe when the highest ``share`` of the line water has drained away."""
    volume = network.pipe_volume_l.copy()
    volume[: network.feed_pipes] = 0.0
    low, high = _span(network)
    a, b = float(low.min()) - 1e-6, float(high.max()) + 1e-6
    wanted = share * float(volume.sum())
    for _ in range(_BISECTIONS):
        middle = 0.5 * (a + b)
        a, b = (a, middle) if _above(network, volume, middle).sum() < wanted else (middle, b)
    return _above(network, volume, 0.5 * (a + b))


def drained_l(network: Network, filled_l: Array) -> Array:
    """Litres that leave each emitter as the surface sinks from the highest filled place to the lowest.

    Each slice leaves through the emitters below it as ``k h^x`` shares; what lies lower than every emitter
    leaves through the lowest.
    """
    elevation, k, x = network.elevation_m, network.k_m3s, network.exponent
    drained = np.zeros(len(k))
    open_k = k > 0.0
    if not open_k.any() or filled_l.sum() == 0.0:
        return drained
    low, high = _span(network)
    used = filled_l > 0.0
    edges = np.linspace(float(high[used].max()), float(low[used].min()), _DRAIN_STEPS + 1)
    # The filled water of a pipe is its highest part.
    full = np.where(used, network.pipe_volume_l, 1.0)
    bottom = high - (high - low) * np.where(used, filled_l / full, 0.0)
    thickness = np.where(used, high - bottom, 1.0)
    lowest = float(elevation[open_k].min())
    for upper, lower in pairwise(edges):
        part = np.clip((np.minimum(upper, high) - np.maximum(lower, bottom)) / thickness, 0.0, 1.0)
        surface = max(0.5 * (upper + lower), lowest)
        head = surface - elevation
        weight = np.where(head >= 0.0, k * np.maximum(head, _FILM_HEAD_M) ** x, 0.0)
        drained += float((part * filled_l)[used].sum()) * weight / weight.sum()
    return drained * (float(filled_l.sum()) / float(drained.sum()))
