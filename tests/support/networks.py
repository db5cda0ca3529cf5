"""Networks for the hydraulics tests, random ones by seed among them."""

from __future__ import annotations

import numpy as np

from scheduler.hydraulics.network import Network


def network(k_lph, exponent, node, elevation, pipes, *, activation=None, feed_pipes=1) -> Network:
    """``pipes``: rows of (from, to, length m, bore m, K)."""
    rows = np.array(pipes, dtype=float)
    count = len(k_lph)
    return Network(
        emitter_ids=tuple(f"e{i}" for i in range(count)),
        emitter_plant=tuple(f"plant{i}" for i in range(count)),
        k_m3s=np.array(k_lph, dtype=float) / 3.6e6,
        exponent=np.array(exponent, dtype=float),
        activation_head_m=np.zeros(count) if activation is None else np.array(activation, dtype=float),
        emitter_node=np.array(node, dtype=np.intp),
        node_elevation_m=np.array(elevation, dtype=float),
        pipe_from=rows[:, 0].astype(np.intp),
        pipe_to=rows[:, 1].astype(np.intp),
        pipe_length_m=rows[:, 2],
        pipe_bore_m=rows[:, 3],
        pipe_roughness_m=np.full(len(rows), 1.5e-6),
        pipe_loss_k=rows[:, 4],
        feed_pipes=feed_pipes,
    )


def one_emitter(k_lph=10.0, exponent=0.5) -> Network:
    """One emitter at the outlet's height behind a pipe that costs next to nothing."""
    return network([k_lph], [exponent], [1], [0.0, 0.0], [(0, 1, 0.01, 0.5, 0.0)])


def plain(seed=0, *, mixed=True, steep=False) -> Network:
    """100 emitters of 1.4 to 2.6 L/h on 4 laterals of a 40 m x 20 mm main, K = 42; ``steep`` rises 0.6 m."""
    r = np.random.default_rng(seed)
    elevation, pipes, node = [0.0], [], []
    for i in range(4):
        elevation.append(0.15 * (i + 1) if steep else -0.1 * (i + 1))
        pipes.append((i, i + 1, 10.0, 0.020, 42.0 if i == 0 else 0.0))
    rough = 0.3 if steep else 0.15
    for main in range(1, 5):
        before = main
        for _ in range(25):
            elevation.append(elevation[main] + r.uniform(-rough, rough))
            pipes.append((before, len(elevation) - 1, 0.3, 0.0136, 0.0))
            before = len(elevation) - 1
            node.append(before)
    exponent = r.choice([0.5, 0.9], 100) if mixed else np.full(100, 0.5)
    return network(r.uniform(1.4, 2.6, 100), exponent, node, elevation, pipes)


def random_garden(seed: int) -> Network:
    """A garden with branches and one to three rings, exponents 0.5 and 0.9, uneven ground."""
    r = np.random.default_rng(seed)
    count = int(r.integers(8, 40))
    elevation, pipes = [0.0], [(0, 1, 5.0, 0.020, float(r.uniform(5, 60)))]
    for node in range(1, count):
        elevation.append(float(r.uniform(-0.6, 0.3)))
        if node > 1:
            pipes.append((int(r.integers(max(1, node - 5), node)), node, r.uniform(0.3, 6.0), 0.0136, 0.5))
    for _ in range(int(r.integers(1, 4))):
        a, b = (int(v) for v in r.choice(np.arange(1, count), 2, replace=False))
        pipes.append((a, b, r.uniform(1.0, 6.0), 0.0136, 0.5))
    emitters = int(r.integers(5, 30))
    return network(
        r.uniform(0.8, 12.0, emitters), r.choice([0.5, 0.9], emitters), r.integers(1, count, emitters),
        elevation, pipes,
    )  # fmt: skip


HARD_BORES_M = (0.004, 0.006, 0.0136, 0.020)


def hard(seed: int) -> Network:
    """Bubblers beside drippers, thin and wide pipe, dry emitters, rings, activation heads."""
    r = np.random.default_rng(seed)
    count = int(r.integers(3, 60))
    elevation, pipes = [0.0], []
    for node in range(1, count):
        elevation.append(float(r.uniform(-1.0, 1.2)))
        before = 0 if node == 1 else int(r.integers(max(1, node - 6), node))
        pipes.append((before, node))
    for _ in range(int(r.integers(0, 5))):
        a, b = (int(v) for v in r.integers(1, count, 2))
        if a != b:
            pipes.append((a, b))
    rows = [
        (a, b, r.uniform(0.05, 20.0), HARD_BORES_M[int(r.integers(0, len(HARD_BORES_M)))],
         r.uniform(0.0, 50.0) if r.random() < 0.3 else 0.0)
        for a, b in pipes
    ]  # fmt: skip
    n = int(r.integers(1, 60))
    k = np.where(r.random(n) < 0.3, r.uniform(20.0, 300.0, n), r.uniform(0.5, 8.0, n))
    exponent = r.choice([0.4, 0.5, 0.6, 0.75, 0.9, 1.0, 1.04], n)
    activation = np.where(r.random(n) < 0.05, r.uniform(0.2, 1.0, n), 0.0)
    return network(k, exponent, r.integers(1, count, n), elevation, rows, activation=activation)
