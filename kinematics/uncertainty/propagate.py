"""How sure the answer is: spread of the error, probability beyond tolerance, value of locating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kinematics.base.arrays import FloatArray, Progress
from kinematics.base.errors import InputError
from kinematics.closure.batch import ClosureBatch
from kinematics.closure.place import PlacedCase
from kinematics.uncertainty.departure import departure_draws, largest_departure
from kinematics.uncertainty.first_order import first_order, validate
from kinematics.uncertainty.inputs import Axis, UncertaintyInputs, inputs_from_case
from kinematics.uncertainty.monte_carlo import (
    Stabilisation,
    block_generator,
    block_size,
    check_settings,
    open_uniform,
    shortest_interval,
    symmetric_interval,
)
from kinematics.uncertainty.summary import (
    QUANTITIES,
    QuantitySummary,
    UncertaintySummary,
    WayChance,
    wilson_interval,
)
from kinematics.uncertainty.ways import AS_PLANNED, TRUE_AXIS, WAYS, Way

LEAST_TOLERANCE_MM = 0.002
"""The stabilisation test asks for no finer a numerical tolerance (ours): 2 um is a small part of
the thinnest difference that patients notice, 12 to 14 um (published_values.md section 5)."""

MAX_TRIALS = 200_000
MAX_TRIALS_CONTACT = 1_000
"""Default limits (ours), for closed forms and where every trial needs a first contact."""

CONTACT_BLOCK = 250
"""Trials in a block with first contacts (ours), where a block of the standard's would take long."""

DRAWING = "Drawing where the axes may lie"
"""What ``progress`` is told while trials are closed."""
AXES: tuple[Axis, Axis] = ("arbitrary", "located")

RISK_LIMIT = 0.05
"""The departure is limited so that the tolerance is exceeded no more often than this (issue 4)."""


def uncertainty_of(
    placed: PlacedCase,
    *,
    max_trials: int | None = None,
    progress: Progress | None = None,
    threads: int | None = None,
) -> UncertaintySummary | None:
    """Propagate a placed case's uncertainty; None where it has no ``[uncertainty]``.

    Parameters are those of :func:`propagate` and :func:`inputs_from_case`.
    """
    if placed.case.uncertainty is None:
        return None
    inputs = inputs_from_case(placed, threads=threads)
    return propagate(inputs, max_trials=max_trials, progress=progress)


def propagate(
    inputs: UncertaintyInputs,
    *,
    digits: int = 2,
    max_trials: int | None = None,
    risk_limit: float = RISK_LIMIT,
    progress: Progress | None = None,
) -> UncertaintySummary:
    """Propagate the uncertain inputs of a case through its closure.

    Parameters
    ----------
    inputs : UncertaintyInputs
    digits : int
        Significant digits of each uncertainty for the stabilisation test, which never asks for
        less than 2 um.
    max_trials : int, optional
        200 000 by default, 1000 with ``contact``.
    risk_limit : float
        For the largest departure.
    progress : callable, optional
        Called with words and the fraction of ``max_trials`` done.

    Raises
    ------
    InputError
        Settings out of range, or more than one trial in a hundred has no closure.

    Notes
    -----
    *Guarantee*: the same inputs, seed and settings give the same result; all ways out see the same
    draws. Memory stays below about ``max_trials * (5 k + 6) * 8`` bytes. *Source*: JCGM 101:2008,
    clauses 7 and 8; model derived here.
    """
    contact = inputs.stop == "contact"
    limit = max_trials or (MAX_TRIALS_CONTACT if contact else MAX_TRIALS)
    check_settings(inputs.coverage, digits, limit)
    if not 0.0 < risk_limit < 1.0:
        raise InputError("risk_limit", f"{risk_limit:g}", "between 0 and 1", "For example 0.05.")
    tell = progress or (lambda words, done: None)
    trials = run_trials(inputs, digits, limit, tell)
    tell("Summing up", 0.95)
    draws = departure_draws(inputs, limit)
    even, even_located = (
        largest_departure(inputs, draws, axis, risk_limit, step=lambda: tell("Summing up", 0.96))
        for axis in AXES
    )
    summary = UncertaintySummary(
        status="stabilised" if trials.stabilised else "not_stabilised",
        stop=inputs.stop,
        tolerance_mm=inputs.tolerance_mm,
        coverage=inputs.coverage,
        seed=inputs.seed,
        trials=len(trials.values),
        names=inputs.names,
        teeth=inputs.placed.landmarks.teeth,
        population=inputs.population.label,
        quantities=quantity_summaries(inputs, trials.values),
        ways=tuple(way_chance(inputs, way, trials) for way in WAYS),
        risk_limit=risk_limit,
        largest_departure_mm=even,
        largest_departure_located_mm=even_located,
        worst_error_mm={name: trials.worst[name] for name in (AS_PLANNED, TRUE_AXIS)},
        assumptions=inputs.assumptions,
        failed_trials=trials.failed,
    )
    tell("Done", 1.0)
    return summary


@dataclass(frozen=True, eq=False)
class Trials:
    """Closures of the draws of one case, ``n`` of them kept.

    Attributes
    ----------
    values : ndarray, shape (n, 5, k)
        :data:`QUANTITIES` as planned.
    beyond : mapping of way to ndarray, shape (k,)
        Share of the trials with an error beyond tolerance, at each landmark.
    worst : mapping of way to ndarray, shape (n,)
        Largest landmark error, mm.
    failed : int
        Draws left out, since one of the ways has no closure.
    stabilised : bool
    """

    values: FloatArray
    beyond: Mapping[str, FloatArray]
    worst: Mapping[str, FloatArray]
    failed: int
    stabilised: bool


def run_trials(inputs: UncertaintyInputs, digits: int, limit: int, tell: Progress) -> Trials:
    """Close blocks of draws, every way out with the same ones, until the results are stable."""
    size = block_size(inputs.coverage) if inputs.stop != "contact" else CONTACT_BLOCK
    size = min(size, limit)
    test = Stabilisation(inputs.coverage, digits, LEAST_TOLERANCE_MM)
    kept: list[FloatArray] = []
    worst: dict[str, list[FloatArray]] = {way.name: [] for way in WAYS}
    beyond = {way.name: np.zeros(len(inputs.names)) for way in WAYS}
    failed = block = 0
    while not test.done and (block + 1) * size <= limit:
        u = open_uniform(size, inputs.n_uniform, rng=block_generator(inputs.seed, block))
        values = inputs.values(u)
        batches: dict[str, ClosureBatch] = {}
        for row, way in enumerate(WAYS):
            tell(DRAWING, (block + row / len(WAYS)) * size / limit)
            batches[way.name] = inputs.close(values, way.axis, departure_mm=way.departure_mm)
        sizes = {name: batch.magnitude_mm for name, batch in batches.items()}
        good = np.isfinite(list(sizes.values())).all(axis=(0, 2))
        failed += int((~good).sum())
        block += 1
        if failed > 0.01 * block * size:
            raise InputError(
                "uncertainty",
                f"{failed} of {block * size} draws without a closure",
                "at most 1 in 100",
                "The scatter is too wide for this record, pin or pair of casts: narrow it, or "
                "choose another stop.",
            )
        kept.append(quantities_of(batches[AS_PLANNED])[good])
        test.add(kept[-1][:, 0])
        for name, found in sizes.items():
            beyond[name] += (found[good] > inputs.tolerance_mm).sum(axis=0)
            worst[name].append(found[good].max(axis=1))
    everything = np.concatenate(kept)
    return Trials(
        values=everything,
        beyond={name: count / len(everything) for name, count in beyond.items()},
        worst={name: np.concatenate(parts) for name, parts in worst.items()},
        failed=failed,
        stabilised=test.done,
    )


def quantities_of(batch: ClosureBatch) -> FloatArray:
    """All quantities of a batch, shape (n, 5, k), in the order of :data:`QUANTITIES`."""
    parts = [batch.magnitude_mm, *np.moveaxis(batch.error_mm, 2, 0), batch.high_mm]
    return np.stack(parts, axis=1)


def quantity_summaries(inputs: UncertaintyInputs, values: FloatArray) -> dict[str, QuantitySummary]:
    """Every quantity by Monte Carlo, values (n, 5, k), and by first order."""
    mean, cov = inputs.moments()

    def model(x: FloatArray) -> FloatArray:
        return quantities_of(inputs.close(x, "arbitrary")).reshape(len(x), -1)

    gum = first_order(model, mean, cov, coverage=inputs.coverage)
    k = len(inputs.names)
    out = {}
    for row, name in enumerate(QUANTITIES):
        ordered = np.sort(values[:, row], axis=0)
        u = ordered.std(axis=0, ddof=1)
        symmetric = symmetric_interval(ordered, inputs.coverage)
        span = slice(row * k, (row + 1) * k)
        check = validate(gum.interval[span], symmetric, u, digits=1)
        out[name] = QuantitySummary(
            mean=ordered.mean(axis=0),
            uncertainty=u,
            symmetric=symmetric,
            shortest=shortest_interval(ordered, inputs.coverage),
            gum_estimate=gum.estimate[span],
            gum_uncertainty=gum.uncertainty[span],
            gum_interval=gum.interval[span],
            gum_validated=check.validated,
        )
    return out


def way_chance(inputs: UncertaintyInputs, way: Way, trials: Trials) -> WayChance:
    """How often one way out leaves the tolerance."""
    worst = trials.worst[way.name]
    share = float(np.mean(worst > inputs.tolerance_mm))
    planned = way.departure_mm is None
    return WayChance(
        name=way.name,
        what=way.what,
        departure_mm=inputs.nominal_departure_mm if planned else float(way.departure_mm or 0.0),
        beyond=trials.beyond[way.name],
        beyond_any=share,
        beyond_any_interval=wilson_interval(share, len(worst)),
        worst_mean_mm=float(worst.mean()),
        worst_median_mm=float(np.median(worst)),
        worst_high_mm=float(np.quantile(worst, inputs.coverage)),
    )
