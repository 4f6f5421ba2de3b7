"""Any model by the product's own trials: blocks, stabilisation test and intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from kinematics.uncertainty.monte_carlo import (
    Stabilisation,
    block_generator,
    block_size,
    shortest_interval,
    symmetric_interval,
)

Model = Callable[[np.random.Generator, int], np.ndarray]


@dataclass(frozen=True, eq=False)
class Run:
    stabilised: bool
    blocks: int
    values: np.ndarray
    estimate: np.ndarray
    uncertainty: np.ndarray
    symmetric: np.ndarray
    shortest: np.ndarray


def adaptive(model: Model, *, seed: int, digits: int = 2, max_trials: int = 1_000_000) -> Run:
    """Draw ``model(rng, n)``, (n,) or (n, m), until its results at 95 % coverage are stable."""
    size = block_size(0.95)
    test = Stabilisation(0.95, digits)
    blocks: list[np.ndarray] = []
    while not test.done and (len(blocks) + 1) * size <= max_trials:
        blocks.append(model(block_generator(seed, len(blocks)), size).reshape(size, -1))
        test.add(blocks[-1])
    values = np.concatenate(blocks)
    ordered = np.sort(values, axis=0)
    return Run(
        test.done,
        len(blocks),
        values,
        values.mean(axis=0),
        test.uncertainty,
        symmetric_interval(ordered, 0.95),
        shortest_interval(ordered, 0.95),
    )
