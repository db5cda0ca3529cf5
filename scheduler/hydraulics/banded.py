"""LAPACK's ``dpbsv`` and ``dptsv``, the solvers of symmetric positive definite band and tridiagonal systems,
without the rest of SciPy.

``import scipy.linalg.lapack`` brings some hundred modules that a small service never calls (measured here
with SciPy 1.17: 16 MB resident beside what the service has anyway). The same compiled routines are therefore
loaded straight from their file; where SciPy keeps it elsewhere, the public import serves.
"""

from __future__ import annotations

import importlib.machinery
import importlib.util
import sys
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = "linalg"
STEM = "_flapack"


def load_alone(routine: str = "dpbsv") -> Any:
    """A routine from SciPy's compiled file alone; None: it is not where it is known to be."""
    return getattr(_module(), routine, None)


@cache
def _module() -> Any:
    package = importlib.util.find_spec("scipy")
    if package is None or package.origin is None:
        return None
    import scipy  # its own start-up finds the libraries that the file needs

    folder = Path(scipy.__file__).parent / FOLDER
    for ending in importlib.machinery.EXTENSION_SUFFIXES:
        path = folder / f"{STEM}{ending}"
        if not path.exists():
            continue
        spec = importlib.util.spec_from_file_location(f"scipy.{FOLDER}.{STEM}", path)
        if spec is None or spec.loader is None:
            return None
        try:
            module = importlib.util.module_from_spec(spec)
            spec.loader.exec_module(module)
        except ImportError:
            return None
        return module
    return None


def _routine(name: str) -> Any:
    alone = None if "scipy.linalg" in sys.modules else load_alone(name)
    if alone is not None:
        return alone
    from scipy.linalg import lapack

    return getattr(lapack, name)


# dpbsv(ab, b, lower=, overwrite_ab=, overwrite_b=) -> (factor, x, info), as SciPy documents it.
dpbsv = _routine("dpbsv")
# dptsv(d, e, b, overwrite_d=, overwrite_e=, overwrite_b=) -> (d, e, x, info): diagonal, off-diagonal, right.
dptsv = _routine("dptsv")
