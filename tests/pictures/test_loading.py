"""matplotlib, loaded for paper only, is whole again for whoever comes after."""

from __future__ import annotations

import subprocess
import sys

AFTER = """
import sys
from scheduler.pictures.style import drawing
with drawing() as make:
    figure = make()
assert "mpl_toolkits.mplot3d" not in sys.modules
from matplotlib import artist, lines
assert artist.Artist._update_set_signature_and_docstring.__func__.__doc__
assert "linewidth" in artist.kwdoc(lines.Line2D)
line = lines.Line2D([0, 1], [0, 1])
line.set(linewidth=3.0)
assert line.get_linewidth() == 3.0
class Late(lines.Line2D):
    pass
late = Late([0], [0])
late.set(color="red")
import matplotlib.pyplot as plt
from mpl_toolkits.mplot3d import Axes3D
assert Axes3D.__init__
print("whole")
"""


def test_what_was_put_aside_is_back_after_loading() -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", AFTER], check=False, capture_output=True, text=True
    )
    assert done.stdout == "whole\n", done.stderr
