"""The band solver that is loaded alone is SciPy's own, and leaves SciPy whole for whoever wants it."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
from scipy.linalg import solveh_banded

from scheduler.hydraulics.banded import load_alone


def test_the_routine_loaded_alone_solves_as_scipys_own_front_does() -> None:
    solve = load_alone()
    assert solve is not None, "SciPy keeps the routine elsewhere now; the service takes 16 MB more"
    rng = np.random.default_rng(7)
    band = np.vstack([rng.uniform(4.0, 5.0, 12), rng.uniform(-1.0, 1.0, (2, 12))])
    right = rng.uniform(-1.0, 1.0, 12)
    _, found, info = solve(band.copy(), right.copy(), lower=1)
    assert info == 0
    np.testing.assert_allclose(found, solveh_banded(band, right, lower=True), rtol=1e-13)


def test_the_service_loads_one_routine_and_scipy_still_loads_after_it() -> None:
    code = (
        "import sys, scheduler.service.daemon; print('scipy.linalg' in sys.modules); "
        "from scipy.linalg import solveh_banded; from scipy import optimize; "
        "print(solveh_banded([[4.0, 4.0]], [4.0, 8.0], lower=True).tolist(), callable(optimize.brentq))"
    )
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )
    assert ran.stdout.split("\n")[:2] == ["False", "[1.0, 2.0] True"], ran.stderr
