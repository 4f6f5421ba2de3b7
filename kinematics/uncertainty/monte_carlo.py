"""Propagation of distributions by Monte Carlo, with the adaptive stop of JCGM 101:2008, 7.9."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError

MIN_BLOCK = 10_000
"""Smallest number of trials in a block (JCGM 101:2008, 7.9.4 b)."""


def block_generator(seed: int, block: int) -> np.random.Generator:
    """Random generator of one block; depends on the seed and the block's number only."""
    return np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(block,)))


def numerical_tolerance(uncertainty: ArrayLike, digits: int = 2) -> FloatArray:
    """Numerical tolerance of a standard uncertainty stated with ``digits`` significant digits.

    Notes
    -----
    ``u = c x 10^l`` with ``c`` an integer of ``digits`` digits; the tolerance is half of ``10^l``.
    Zero for an uncertainty of zero. *Source*: JCGM 101:2008, 7.9.2.
    """
    u = np.asarray(uncertainty, dtype=np.float64)
    safe = np.where(u > 0.0, u, 1.0)
    power = np.floor(np.log10(safe)) - (digits - 1)
    rounded_up = np.round(safe / 10.0**power) >= 10.0**digits
    return np.where(u > 0.0, 0.5 * 10.0 ** (power + rounded_up), 0.0)


def coverage_count(n: int, coverage: float) -> int:
    """Values of ``n`` that an interval of a coverage probability holds (7.7.1)."""
    exact = coverage * n
    whole = round(exact)
    q = whole if abs(exact - whole) < 1e-9 * n else int(exact + 0.5)
    return min(max(q, 1), n - 1)


def symmetric_interval(values: FloatArray, coverage: float) -> FloatArray:
    """Probabilistically symmetric coverage interval, shape (..., 2), of sorted values (n, ...).

    *Source*: JCGM 101:2008, 7.7.2.
    """
    n = len(values)
    q = coverage_count(n, coverage)
    r = (n - q) // 2 if (n - q) % 2 == 0 else (n - q + 1) // 2
    r = min(max(r, 1), n - q)
    return np.stack([values[r - 1], values[r + q - 1]], axis=-1)


def shortest_interval(values: FloatArray, coverage: float) -> FloatArray:
    """Shortest coverage interval, shape (..., 2), of sorted values (n, ...).

    *Source*: JCGM 101:2008, 7.7.4.
    """
    q = coverage_count(len(values), coverage)
    start = np.argmin(values[q:] - values[:-q], axis=0)[None]
    low = np.take_along_axis(values, start, axis=0)[0]
    high = np.take_along_axis(values, start + q, axis=0)[0]
    return np.stack([low, high], axis=-1)


def block_size(coverage: float) -> int:
    """Trials in one block: at least 10 000 and at least ``100 / (1 - p)`` (7.9.4 b)."""
    return max(MIN_BLOCK, int(np.ceil(100.0 / (1.0 - coverage) - 1e-6)))


class Stabilisation:
    """The stabilisation test over blocks (JCGM 101:2008, 7.9.4), for ``m`` outputs at once.

    Parameters
    ----------
    coverage : float
    digits : int
    least_tolerance : float
        No finer a tolerance is asked for, in the outputs' unit.
    """

    def __init__(self, coverage: float, digits: int, least_tolerance: float = 0.0) -> None:
        self.coverage, self.digits, self.least_tolerance = coverage, digits, least_tolerance
        self._rows: list[FloatArray] = []
        self._moments: list[tuple[int, FloatArray, FloatArray]] = []

    def add(self, block: FloatArray) -> None:
        """Take in one block's model values, shape (n, m)."""
        mean, sd = block.mean(axis=0), block.std(axis=0, ddof=1)
        ends = symmetric_interval(np.sort(block, axis=0), self.coverage).T
        self._rows.append(np.vstack([mean, sd, ends]))
        self._moments.append((len(block), mean, sd))

    @property
    def uncertainty(self) -> FloatArray:
        """Standard deviation of all values so far, shape (m,)."""
        n = np.array([count for count, _, _ in self._moments], dtype=np.float64)[:, None]
        mean = np.array([m for _, m, _ in self._moments])
        sd = np.array([s for _, _, s in self._moments])
        centre = (n * mean).sum(axis=0) / n.sum()
        square = ((n - 1.0) * sd**2 + n * (mean - centre) ** 2).sum(axis=0)
        return np.sqrt(square / (n.sum() - 1.0))

    @property
    def done(self) -> bool:
        """Whether twice the standard deviation of each averaged result is within tolerance."""
        h = len(self._rows)
        if h < 2:
            return False
        spread = np.std(np.array(self._rows), axis=0, ddof=1) / np.sqrt(h)
        tolerance = np.maximum(
            numerical_tolerance(self.uncertainty, self.digits), self.least_tolerance
        )
        return bool((2.0 * spread <= tolerance).all())


def check_settings(coverage: float, digits: int, max_trials: int) -> None:
    """Refuse settings that the method has no meaning for."""
    if not 0.0 < coverage < 1.0:
        raise InputError(
            "coverage", f"{coverage:g}", "a probability between 0 and 1", "For example 0.95."
        )
    if digits not in (1, 2, 3, 4):
        raise InputError("digits", f"{digits}", "1 to 4 significant digits", "For example 2.")
    if max_trials < 100:
        raise InputError("max_trials", f"{max_trials}", "at least 100", "For example 200000.")


def open_uniform(n: int, columns: int, *, rng: np.random.Generator) -> FloatArray:
    """Uniforms strictly inside (0, 1), shape (n, columns), so that every quantile is finite."""
    whole = rng.integers(0, 2**53, size=(n, columns)).astype(np.float64)
    return np.minimum((whole + 0.5) * 2.0**-53, 1.0 - 2.0**-53)
