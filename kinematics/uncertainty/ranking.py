"""Which uncertain input matters most: Sobol' indices with confidence intervals, in words."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import qmc, sobol_indices

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.uncertainty.inputs import UncertaintyInputs
from kinematics.uncertainty.populations import Group

DEFAULT_SAMPLES = 4096
DEFAULT_SAMPLES_CONTACT = 256
"""Base sample sizes (ours); the model runs (groups + 2) times that often."""
RESAMPLES = 200
"""Bootstrap resamples for the confidence intervals (ours)."""
LEAST_SPREAD_MM = 1e-9
"""An output that spreads less than this does not depend on anything (ours)."""


@dataclass(frozen=True, eq=False)
class SobolResult:
    """Sobol' indices of ``g`` groups of inputs on one output.

    Attributes
    ----------
    names : tuple of str
    first, total : ndarray, shape (g,)
        Share of the output's variance that the group explains alone, and with its interactions.
    first_interval, total_interval : ndarray, shape (g, 2)
        Bootstrap confidence intervals.
    confidence : float
    mean, variance : float
        Of the output over the base samples.
    samples : int
        Base samples; the model ran ``samples * (g + 2)`` times.
    """

    names: tuple[str, ...]
    first: FloatArray
    total: FloatArray
    first_interval: FloatArray
    total_interval: FloatArray
    confidence: float
    mean: float
    variance: float
    samples: int

    @property
    def order(self) -> NDArray[np.intp]:
        """Groups from the largest total index to the smallest."""
        return np.argsort(-self.total, kind="stable")


@dataclass(frozen=True)
class RankedInput:
    """One line of the ranked table.

    Attributes
    ----------
    rank : int
    name : str
    first, total : float
    first_interval, total_interval : tuple of float
    sentence : str
    """

    rank: int
    name: str
    first: float
    total: float
    first_interval: tuple[float, float]
    total_interval: tuple[float, float]
    sentence: str


def sobol(
    model: Callable[[FloatArray], FloatArray],
    groups: Sequence[Group],
    n_uniform: int,
    *,
    samples: int,
    seed: int,
    confidence: float = 0.95,
) -> SobolResult:
    """Sobol' indices of groups of independent inputs.

    Parameters
    ----------
    model : callable
        From uniforms in (0, 1), shape (n, n_uniform), to values, shape (n,).
    groups : sequence of (name, columns)
        Inputs whose columns are exchanged together. Columns in no group vary, too, and count in
        the variance only.
    n_uniform : int
    samples : int
        A power of two.
    seed : int
    confidence : float

    Raises
    ------
    InputError
        No group, samples not a power of two, values that are not finite or that never differ.

    Notes
    -----
    *Guarantee*: the same arguments give the same result. Estimates may leave 0 to 1 by their
    sampling error, which the interval tells: percentiles of a bootstrap that takes the points as
    independent, so that it is, if anything, too wide for Sobol' points. *Source*: Saltelli et
    al. 2010 as implemented by ``scipy.stats.sobol_indices``; groups of columns after Sobol' 2001
    (from memory).
    """
    if not groups:
        raise InputError(
            "uncertainty", "no uncertain input", "at least one", "Give a spread to rank."
        )
    if samples < 2 or samples & (samples - 1):
        raise InputError("samples", f"{samples}", "a power of two", "For example 4096.")
    if not 0.0 < confidence < 1.0:
        raise InputError("confidence", f"{confidence:g}", "between 0 and 1", "For example 0.95.")
    engine = qmc.Sobol(2 * n_uniform, scramble=True, rng=np.random.default_rng(seed))
    u = np.clip(engine.random(samples), 2.0**-54, 1.0 - 2.0**-53)
    a, b = u[:, :n_uniform], u[:, n_uniform:]
    f_a, f_b = finite_values(model, a), finite_values(model, b)
    f_ab = np.empty((len(groups), 1, samples))
    for i, (_, columns) in enumerate(groups):
        mixed = a.copy()
        mixed[:, columns] = b[:, columns]
        f_ab[i, 0] = finite_values(model, mixed)
    both = np.concatenate([f_a, f_b])
    if np.ptp(both) < LEAST_SPREAD_MM:
        raise InputError(
            "uncertainty",
            "an error that never changes",
            "inputs that the error depends on",
            "With the record at the target vertical dimension no axis matters.",
        )
    first, total = sobol_pair(f_a, f_b, f_ab)
    rng = np.random.default_rng(seed + 1)
    again = np.array(
        [
            sobol_pair(f_a[pick], f_b[pick], f_ab[..., pick])
            for pick in rng.integers(0, samples, size=(RESAMPLES, samples))
        ]
    )
    tail = 50.0 * (1.0 - confidence)
    low, high = np.nanpercentile(again, [tail, 100.0 - tail], axis=0)
    return SobolResult(
        names=tuple(name for name, _ in groups),
        first=first,
        total=total,
        first_interval=np.stack([low[0], high[0]], axis=1),
        total_interval=np.stack([low[1], high[1]], axis=1),
        confidence=confidence,
        mean=float(both.mean()),
        variance=float(both.var()),
        samples=samples,
    )


def sensitivity_of(
    inputs: UncertaintyInputs, *, samples: int | None = None, confidence: float = 0.95
) -> SobolResult:
    """Sobol' indices of a case's uncertain inputs on its worst landmark error.

    Parameters
    ----------
    inputs : UncertaintyInputs
        The arbitrary axis as planned.
    samples : int, optional
        A power of two; 4096 by default, 256 where every draw needs a first contact.
    confidence : float

    Raises
    ------
    InputError
        As :func:`sobol`; or a draw without a closure.
    """
    contact = inputs.stop == "contact"
    count = samples or (DEFAULT_SAMPLES_CONTACT if contact else DEFAULT_SAMPLES)

    def worst(u: FloatArray) -> FloatArray:
        return inputs.close(inputs.values(u), "arbitrary").magnitude_mm.max(axis=1)

    return sobol(
        worst,
        inputs.groups,
        inputs.n_uniform,
        samples=count,
        seed=inputs.seed,
        confidence=confidence,
    )


def ranked(result: SobolResult) -> tuple[RankedInput, ...]:
    """The ranked table, largest total index first, each with its sentence."""
    rows = []
    for rank, i in enumerate(result.order, start=1):
        alone, total = result.first[i], result.total[i]
        low, high = result.total_interval[i]
        if rank == 1:
            matters = "matters most in this patient"
        elif high < 0.02:
            matters = "hardly matters"
        else:
            matters = f"comes {ordinal(rank)}"
        rows.append(
            RankedInput(
                rank=rank,
                name=result.names[i],
                first=float(alone),
                total=float(total),
                first_interval=(
                    float(result.first_interval[i, 0]),
                    float(result.first_interval[i, 1]),
                ),
                total_interval=(float(low), float(high)),
                sentence=f"The {result.names[i]} {matters}: it has a part in "
                f"{part(total)} of the variance of the worst error "
                f"({100 * result.confidence:g} % interval {part(low)} to {part(high)}), "
                f"{part(alone)} by itself.",
            )
        )
    return tuple(rows)


def finite_values(model: Callable[[FloatArray], FloatArray], u: FloatArray) -> FloatArray:
    """Values of a model, shape (n,); refused where one is not finite."""
    values = np.asarray(model(u), dtype=np.float64)
    if values.shape != (len(u),) or not np.isfinite(values).all():
        raise InputError(
            "uncertainty",
            "draws without a closure",
            "a closure for every draw",
            "The scatter is too wide for this record, pin or pair of casts: narrow it.",
        )
    return values


def sobol_pair(f_a: FloatArray, f_b: FloatArray, f_ab: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First-order and total indices, each of shape (g,), from the model's values."""
    groups = len(f_ab)
    if groups == 1:
        # scipy 1.17 makes a bare number of one group's indices and then fails: it is given twice.
        f_ab = np.repeat(f_ab, 2, axis=0)
    with warnings.catch_warnings():
        # A resample without spread gives NaN, which the percentiles leave out.
        warnings.simplefilter("ignore", RuntimeWarning)
        found = sobol_indices(func={"f_A": f_a[None], "f_B": f_b[None], "f_AB": f_ab}, n=len(f_a))
    return np.ravel(found.first_order)[:groups], np.ravel(found.total_order)[:groups]


def part(index: float) -> str:
    """An index as a part of the variance, in per cent."""
    return f"{100.0 * min(max(index, 0.0), 1.0):.0f} %"


def ordinal(rank: int) -> str:
    """A place in the ranking, in words."""
    words = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
    return words[rank - 1] if rank <= len(words) else f"at place {rank}"
