"""How much closure the risk limit allows, and the error over closure and axis error."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.base.words import HINGE_RANGE_MM
from kinematics.uncertainty.inputs import COLUMNS, Axis, UncertaintyInputs
from kinematics.uncertainty.monte_carlo import block_generator, open_uniform

DEPARTURE_STEP_MM = 0.01
DEPARTURE_STEP_CONTACT_MM = 0.1
"""The largest departure is found to this (ours; records are not made finer), with ``contact`` more
coarsely, for each step takes a first contact of every draw."""

DRAWS, DRAWS_CONTACT = 20_000, 120
"""Draws that the chance at another departure is counted with (ours: half a second; with ``contact``
some seconds)."""
OWN_BLOCK = 2**31
"""Number of their block of random numbers, which no block of trials has."""


@dataclass(frozen=True, eq=False)
class ClosureDraws:
    """Draws that chances at other closures are counted with, the same at each; one axis.

    Attributes
    ----------
    inputs : UncertaintyInputs
    values : ndarray, shape (n, 16)
    axis : {"arbitrary", "located"}
    """

    inputs: UncertaintyInputs
    values: FloatArray
    axis: Axis

    def risk(self, departure_mm: float) -> float:
        """P(any tooth beyond in closure); a draw without a closure counts as beyond."""
        batch = self.inputs.close(self.values, self.axis, departure_mm=departure_mm)
        sizes = batch.sizes_mm(self.inputs.decision.measure)
        return float(np.mean(~(sizes <= self.inputs.tolerance_mm).all(axis=1)))


def closure_draws(
    inputs: UncertaintyInputs, axis: Axis, at_most: int | None = None
) -> ClosureDraws:
    """Draws of one axis for :func:`largest_closure`; the same ones for both axes."""
    n = DRAWS_CONTACT if inputs.stop == "contact" else DRAWS
    n = n if at_most is None else min(n, at_most)
    rng = block_generator(inputs.seed, OWN_BLOCK)
    values = inputs.values(open_uniform(n, inputs.n_uniform, rng=rng))
    return ClosureDraws(inputs, values, axis)


def largest_closure(
    draws: ClosureDraws, risk_limit: float, *, step: Callable[[], None] = lambda: None
) -> float:
    """Largest closure whose risk in closure does not exceed a limit, mm at the incisors.

    Parameters
    ----------
    draws : ClosureDraws
    risk_limit : float
    step : callable
        Called before each closure tried; an error that it raises ends the search.

    Returns
    -------
    float
        Size, from the nominal planned OVD in the direction of the case's record (closing if it has
        none); 0 where even no closure exceeds the limit, infinite where 20 mm does not.

    Notes
    -----
    *Guarantee*: found to 0.01 mm (0.1 mm with ``contact``) from below by bisection, for a risk that
    grows with the closure (the error of each draw does, nearly in proportion, but for the noise of
    record and planned OVD). *Source*: derived here.
    """

    def within(closure_mm: float) -> bool:
        step()
        return draws.risk(draws.inputs.direction * closure_mm) <= risk_limit

    if not within(0.0):
        return 0.0
    if within(HINGE_RANGE_MM):
        return float("inf")
    finest = DEPARTURE_STEP_CONTACT_MM if draws.inputs.stop == "contact" else DEPARTURE_STEP_MM
    low, high = 0.0, HINGE_RANGE_MM
    while high - low > finest:
        middle = 0.5 * (low + high)
        if within(middle):
            low = middle
        else:
            high = middle
    return low


@dataclass(frozen=True, eq=False)
class DecisionChart:
    """The worst landmark error over departure and axis error.

    Attributes
    ----------
    departure_mm : ndarray, shape (d,)
        Size at the incisors, in the direction of the case's departure.
    axis_error_mm : ndarray, shape (a,)
        Distance of each arbitrary point from its true one.
    worst_mm, coverage_mm : ndarray, shape (d, a)
        Largest error over all directions tried, and the coverage quantile over directions that
        are equally likely and independent on the two sides.
    beyond : ndarray, shape (d, a)
        Share of directions in which the error exceeds the tolerance.
    tolerance_mm : float
    """

    departure_mm: FloatArray
    axis_error_mm: FloatArray
    worst_mm: FloatArray
    coverage_mm: FloatArray
    beyond: FloatArray
    tolerance_mm: float


def decision_chart(
    inputs: UncertaintyInputs,
    departure_mm: ArrayLike,
    axis_error_mm: ArrayLike,
    *,
    rng: np.random.Generator,
    directions: int = 1000,
) -> DecisionChart:
    """Worst error at each departure and each distance of the arbitrary points from the true ones.

    Parameters
    ----------
    inputs : UncertaintyInputs
        The geometry; only the axis error varies here.
    departure_mm : array_like, shape (d,)
        Sizes, 0 to 20 mm.
    axis_error_mm : array_like, shape (a,)
        Distances, 0 to 20 mm.
    rng : numpy.random.Generator
    directions : int
        Directions tried, independent by side.

    Notes
    -----
    *Source*: derived here.
    """
    departures, errors = (np.asarray(v, dtype=np.float64) for v in (departure_mm, axis_error_mm))
    for name, array in (("departure_mm", departures), ("axis_error_mm", errors)):
        if array.ndim != 1 or not ((array >= 0.0) & (array <= HINGE_RANGE_MM)).all():
            raise InputError(
                name, f"{array.tolist()}", f"sizes from 0 to {HINGE_RANGE_MM:g} mm", "Correct it."
            )
    turn = 2.0 * np.pi * open_uniform(directions, 2, rng=rng)
    unit = np.stack([np.cos(turn), np.sin(turn)], axis=2).reshape(directions, 4)
    shape = (len(departures), len(errors))
    worst, coverage, beyond = np.empty(shape), np.empty(shape), np.empty(shape)
    values = np.zeros((directions, len(COLUMNS)))
    for a, error in enumerate(errors):
        # An articulator on the located axis, and a true axis off by the error to the other side:
        # the same pair of axes as an arbitrary one off by it.
        values[:, 4:8] = -error * unit
        for d, departure in enumerate(departures):
            batch = inputs.close(
                values, "located", departure_mm=inputs.direction * float(departure)
            )
            size = batch.sizes_mm(inputs.decision.measure).max(axis=1)
            worst[d, a] = size.max()
            coverage[d, a] = np.quantile(size, inputs.coverage)
            beyond[d, a] = np.mean(~(size <= inputs.tolerance_mm))
    return DecisionChart(departures, errors, worst, coverage, beyond, inputs.tolerance_mm)
