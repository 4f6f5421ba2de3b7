"""First-order uncertainty (GUM) by central differences, and its validation by Monte Carlo."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.uncertainty.monte_carlo import numerical_tolerance

STEP_FRACTION = 1e-3
"""Step of the central differences as a fraction of each input's standard uncertainty (ours: far
above rounding, far below where curvature shows)."""


@dataclass(frozen=True, eq=False)
class GumResult:
    """First-order result for ``m`` outputs of ``N`` inputs.

    Attributes
    ----------
    estimate, uncertainty : ndarray, shape (m,)
    sensitivity : ndarray, shape (m, N)
        Partial derivatives at the inputs' estimates.
    interval : ndarray, shape (m, 2)
        ``estimate +- k uncertainty``.
    coverage, coverage_factor : float
    """

    estimate: FloatArray
    uncertainty: FloatArray
    sensitivity: FloatArray
    interval: FloatArray
    coverage: float
    coverage_factor: float


def first_order(
    model: Callable[[FloatArray], FloatArray],
    estimate: ArrayLike,
    covariance: ArrayLike,
    *,
    coverage: float = 0.95,
    degrees_of_freedom: float = np.inf,
) -> GumResult:
    """Propagate an estimate and a covariance through the linearised model.

    Parameters
    ----------
    model : callable
        ``model(x)`` for inputs of shape (n, N) gives outputs of shape (n,) or (n, m).
    estimate : array_like, shape (N,)
    covariance : array_like, shape (N, N) or (N,)
        Covariance of the inputs, or their standard uncertainties where independent.
    coverage : float
    degrees_of_freedom : float
        Effective degrees of freedom; infinite takes the normal coverage factor.

    Notes
    -----
    *Guarantee*: exact for a model linear in its inputs, up to rounding in the differences.
    Where the derivative vanishes or does not exist (an error's length at zero) the result is
    meaningless; :func:`validate` then says so. *Source*: JCGM 100:2008, 5.1.2, 5.2.2, 6.3.
    """
    x = np.asarray(estimate, dtype=np.float64)
    cov = np.asarray(covariance, dtype=np.float64)
    if cov.ndim == 1:
        cov = np.diag(cov**2)
    if x.ndim != 1 or cov.shape != (len(x), len(x)):
        raise InputError(
            "covariance",
            f"shape {cov.shape} for {x.shape} inputs",
            "a square matrix, or one standard uncertainty an input",
            "Give as many uncertainties as inputs.",
        )
    step = STEP_FRACTION * np.sqrt(np.diag(cov))
    moves = np.diag(step)
    rows = np.vstack([x[None], x + moves, x - moves])
    y = np.asarray(model(rows), dtype=np.float64).reshape(len(rows), -1)
    n = len(x)
    span = np.where(step > 0.0, 2.0 * step, 1.0)[:, None]
    slope = ((y[1 : n + 1] - y[n + 1 :]) / span).T
    u = np.sqrt(np.einsum("mi,ij,mj->m", slope, cov, slope))
    half = 0.5 + 0.5 * coverage
    k = float(
        stats.norm.ppf(half)
        if np.isinf(degrees_of_freedom)
        else stats.t.ppf(half, degrees_of_freedom)
    )
    interval = np.stack([y[0] - k * u, y[0] + k * u], axis=-1)
    return GumResult(y[0], u, slope, interval, coverage, k)


@dataclass(frozen=True, eq=False)
class Validation:
    """Whether the first-order interval agrees with the Monte Carlo one, for ``m`` outputs.

    Attributes
    ----------
    low_difference, high_difference, tolerance : ndarray, shape (m,)
    validated : ndarray of bool, shape (m,)
    """

    low_difference: FloatArray
    high_difference: FloatArray
    tolerance: FloatArray
    validated: NDArray[np.bool_]


def validate(
    gum_interval: FloatArray, mc_interval: FloatArray, mc_uncertainty: FloatArray, digits: int = 1
) -> Validation:
    """Compare the end points of both intervals with the numerical tolerance of the uncertainty.

    Parameters
    ----------
    gum_interval, mc_interval : ndarray, shape (m, 2)
    mc_uncertainty : ndarray, shape (m,)
        Standard uncertainty by Monte Carlo, from which the tolerance is taken.
    digits : int
        Significant digits that are regarded as meaningful.

    Notes
    -----
    *Source*: JCGM 101:2008, 8.1. Where it fails, the Monte Carlo result stands.
    """
    d = np.abs(np.atleast_2d(gum_interval) - np.atleast_2d(mc_interval))
    tolerance = numerical_tolerance(np.atleast_1d(mc_uncertainty), digits)
    return Validation(
        d[:, 0], d[:, 1], tolerance, np.all(d <= tolerance[:, None], axis=1).reshape(-1)
    )
