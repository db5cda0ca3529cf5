"""The nodal system along chains against NumPy's dense solver, rings and side-by-side pipes among them."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.hydraulics.topology import topology
from tests.support.networks import hard, network, one_emitter, plain, random_garden

TWO_RINGS = network(
    [1.0], [0.5], [3], [0.0] * 6,
    [(0, 1, 1, 0.01, 0), (1, 2, 1, 0.01, 0), (2, 3, 1, 0.01, 0), (3, 1, 1, 0.01, 0),
     (3, 4, 1, 0.01, 0), (3, 4, 2, 0.01, 0), (0, 5, 1, 0.01, 0)],
)  # fmt: skip
NETS = [one_emitter(), plain(), TWO_RINGS, *map(random_garden, range(8)), *map(hard, range(40))]


@pytest.mark.parametrize("levels", [1, 5])
def test_chains_solve_the_nodal_system_as_a_dense_solver_does(levels):
    rng = np.random.default_rng(11)
    looked = 0
    for net in NETS:
        top = topology(net)
        if top.chains is None:
            continue
        looked += 1
        n_pipes, n_nodes = top.pipe_ends.shape
        carry = np.zeros((levels, n_pipes + 1))
        carry[:, :-1] = rng.uniform(0.1, 10.0, (levels, n_pipes))
        give, right = rng.uniform(0.0, 1.0, (levels, n_nodes)), rng.uniform(-1.0, 1.0, (levels, n_nodes))
        found = top.chains.solve(carry[:, :-1] @ top.at_ends + give, carry, right.copy())
        for row in range(levels):
            matrix = top.pipe_ends.T @ (carry[row, :-1, None] * top.pipe_ends) + np.diag(give[row])
            np.testing.assert_allclose(found[row], np.linalg.solve(matrix, right[row]), rtol=1e-9, atol=1e-11)
    assert looked > 25
