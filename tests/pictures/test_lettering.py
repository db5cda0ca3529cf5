"""Letters that are kept stand where matplotlib's own would, and look like them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from scheduler.pictures import lettering
from scheduler.pictures.lettering import with_kept_letters
from scheduler.pictures.style import drawing

TEXTS = [("0", 0.0), ("yacht 79 cm", 0.0), ("height above the datum, cm", 90.0), ("Bed 1: gjp", 0.0)]


def dark(text: str, angle: float, before: Callable[[Any], None], weight: str = "normal") -> np.ndarray:
    """Darkness of each pixel of a text drawn at a place between pixels."""
    with drawing() as make:
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        figure = make(figsize=(3.0, 2.5))
        figure.text(0.307, 0.211, text, rotation=angle, color="black", weight=weight)
        canvas = FigureCanvasAgg(figure)
        before(canvas.get_renderer())
        canvas.draw()
        return 255.0 - np.asarray(canvas.buffer_rgba())[..., 0].astype(float)


def middle(ink: np.ndarray) -> np.ndarray:
    return np.array([np.average(grid, weights=ink) for grid in np.indices(ink.shape)])


@pytest.mark.parametrize(("text", "angle"), TEXTS)
@pytest.mark.parametrize("weight", ["normal", "bold"])
def test_a_kept_text_stands_within_a_pixel_of_its_place_with_as_much_ink(
    text: str, angle: float, weight: str
) -> None:
    own = dark(text, angle, lambda renderer: None, weight)  # matplotlib's
    kept = dark(text, angle, with_kept_letters, weight)
    np.testing.assert_allclose(middle(kept), middle(own), atol=1.0)
    assert kept.sum() == pytest.approx(own.sum(), rel=0.05)


def test_a_slanting_text_is_drawn_by_matplotlib() -> None:
    own = dark("thyme", 58.0, lambda renderer: None)
    np.testing.assert_array_equal(dark("thyme", 58.0, with_kept_letters), own)


def test_the_same_text_is_laid_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    lettering._word.cache_clear()
    first = dark("once", 0.0, with_kept_letters)
    laid_out = lettering._word.cache_info().misses
    np.testing.assert_array_equal(dark("once", 0.0, with_kept_letters), first)
    assert lettering._word.cache_info().misses == laid_out


def test_an_edge_colour_and_an_empty_text_are_drawn_as_they_are() -> None:
    assert dark("", 0.0, with_kept_letters).sum() == 0.0
    assert dark(" ", 0.0, with_kept_letters).sum() == 0.0
