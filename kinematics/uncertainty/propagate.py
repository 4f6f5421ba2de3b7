"""How sure the answer is: spread of the error, chances beyond tolerance, value of locating."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray, Progress
from kinematics.base.errors import InputError
from kinematics.base.words import rounded_room_mm
from kinematics.closure.batch import ClosureBatch
from kinematics.uncertainty.chance import Chances, counted
from kinematics.uncertainty.departure import ClosureDraws, closure_draws, largest_closure
from kinematics.uncertainty.first_order import first_order, validate
from kinematics.uncertainty.inputs import NOMINAL, Axis, UncertaintyInputs
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
)
from kinematics.uncertainty.ways import AS_PLANNED, LOCATED, WAYS, Way, nearer

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

ROUNDING_MM = 1e-9
"""An error of no more than this is none."""

MOST_DRAWS, MOST_DRAWS_CONTACT = 2_000_000, 4_000
"""Draws up to which a chance whose interval straddles the risk limit is counted on (ours)."""


def propagate(
    inputs: UncertaintyInputs,
    *,
    digits: int = 2,
    max_trials: int | None = None,
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
        200 000 by default, 1000 with ``contact``. Where it is left out, a chance whose interval
        straddles the risk limit is counted on, up to 2 000 000 draws (4 000).
    progress : callable, optional
        Called with words and the fraction of ``max_trials`` done.

    Raises
    ------
    InputError
        Settings out of range, or more than one trial in a hundred has no closure.

    Notes
    -----
    *Guarantee*: the same inputs, seed and settings give the same result; all ways out see the same
    draws. Memory stays below about ``max_trials * (5 k + 8) * 8`` bytes. *Source*: JCGM 101:2008,
    clauses 7 and 8; model derived here.
    """
    contact, decision = inputs.stop == "contact", inputs.decision
    limit = max_trials or (MAX_TRIALS_CONTACT if contact else MAX_TRIALS)
    check_settings(inputs.coverage, digits, limit)
    tell = progress or (lambda words, done: None)
    trials = run_trials(inputs, digits, limit, tell)
    if max_trials is None:
        count_on(inputs, trials, MOST_DRAWS_CONTACT if contact else MOST_DRAWS, tell)
    tell("Summing up", 0.95)
    draws = {axis: closure_draws(inputs, axis, max_trials) for axis in AXES}
    largest, largest_located = (
        largest_closure(found, decision.risk_limit, step=lambda: tell("Summing up", 0.96))
        for found in draws.values()
    )
    tallies, kept = list(trials.tallies), rounded_room_mm(largest)
    if 0.0 < kept < abs(inputs.nominal_departure_mm):
        tallies.insert(1, nearer_tally(draws["arbitrary"], inputs.direction * kept))
    summary = UncertaintySummary(
        status="stabilised" if trials.stabilised else "not_stabilised",
        stop=inputs.stop,
        decision=decision,
        coverage=inputs.coverage,
        seed=inputs.seed,
        trials=len(trials.values),
        names=inputs.names,
        teeth=inputs.placed.landmarks.teeth,
        population=inputs.population.label,
        measured=inputs.measured,
        quantities=quantity_summaries(inputs, trials.values),
        ways=tuple(way_chance(tally) for tally in tallies),
        largest_closure_mm=largest,
        largest_closure_located_mm=largest_located,
        worst_displacement_mm={
            tally.way.name: np.concatenate(tally.displacement_mm)
            for tally in trials.tallies
            if tally.way.name in (AS_PLANNED, LOCATED)
        },
        assumptions=inputs.assumptions,
        failed_trials=trials.failed,
    )
    tell("Done", 1.0)
    return summary


class Tally:
    """Counts of one way out over draws, as they come in.

    Attributes
    ----------
    inputs : UncertaintyInputs
    way : Way
    draws, closure, excursions, either : int
        Draws counted, and those with a tooth beyond.
    beyond : ndarray, shape (k,)
        Those beyond in closure, by landmark.
    displacement_mm, high_mm : list of ndarray
        Largest of each draw, by block; of the first trials only.
    """

    def __init__(self, inputs: UncertaintyInputs, way: Way) -> None:
        self.inputs, self.way = inputs, way
        self.draws = self.closure = self.excursions = self.either = 0
        self.beyond = np.zeros(len(inputs.names), dtype=np.intp)
        self.displacement_mm: list[FloatArray] = []
        self.high_mm: list[FloatArray] = []

    @property
    def chances(self) -> Chances:
        """What the counts say."""
        closure, either = (counted(n, self.draws) for n in (self.closure, self.either))
        asked = self.inputs.excursions is not None
        return Chances(closure, counted(self.excursions, self.draws) if asked else None, either)

    @property
    def unsettled(self) -> bool:
        """Whether the draws leave open on which side of the risk limit the chance lies."""
        return self.chances.either.settled(self.inputs.decision.risk_limit) == "cannot_tell"

    def add(
        self,
        batch: ClosureBatch,
        excursions_beyond: NDArray[np.bool_],
        good: NDArray[np.bool_],
        *,
        keep: bool = True,
    ) -> None:
        """Count the ``good`` draws of a batch; ``keep`` their largest errors, too."""
        decision = self.inputs.decision
        beyond = batch.sizes_mm(decision.measure)[good] > decision.tolerance_mm
        closure, excursions = beyond.any(axis=1), excursions_beyond[good]
        self.draws += len(beyond)
        self.beyond += beyond.sum(axis=0)
        self.closure += int(closure.sum())
        self.excursions += int(excursions.sum())
        self.either += int((closure | excursions).sum())
        if keep:
            self.displacement_mm.append(batch.magnitude_mm[good].max(axis=1))
            self.high_mm.append(np.abs(batch.high_mm[good]).max(axis=1))


@dataclass(frozen=True, eq=False)
class Trials:
    """Closures of the draws of one case, ``n`` of them kept.

    Attributes
    ----------
    values : ndarray, shape (n, 5, k)
        :data:`QUANTITIES` as planned.
    tallies : tuple of Tally
        Of each of :data:`~kinematics.uncertainty.ways.WAYS`.
    blocks, failed : int
        Blocks drawn, and draws left out, since one of the ways has no closure.
    stabilised : bool
    """

    values: FloatArray
    tallies: tuple[Tally, ...]
    blocks: int
    failed: int
    stabilised: bool


def finite(batch: ClosureBatch) -> NDArray[np.bool_]:
    """Which draws have a closure, shape (n,)."""
    return np.asarray(np.isfinite(batch.magnitude_mm).all(axis=1))


def block_of(inputs: UncertaintyInputs, block: int, limit: int) -> FloatArray:
    """Draws of one block, shape (n, 16)."""
    size = block_size(inputs.coverage) if inputs.stop != "contact" else CONTACT_BLOCK
    rng = block_generator(inputs.seed, block)
    return inputs.values(open_uniform(min(size, limit), inputs.n_uniform, rng=rng))


def run_trials(inputs: UncertaintyInputs, digits: int, limit: int, tell: Progress) -> Trials:
    """Close blocks of draws, every way out with the same ones, until the results are stable."""
    test = Stabilisation(inputs.coverage, digits, LEAST_TOLERANCE_MM)
    kept: list[FloatArray] = []
    tallies = tuple(Tally(inputs, way) for way in WAYS)
    failed = done = block = 0
    while not test.done:
        values = block_of(inputs, block, limit)
        if done + len(values) > limit:
            break
        batches: list[ClosureBatch] = []
        met: dict[float | None, FloatArray] = {}
        for row, way in enumerate(WAYS):
            tell(DRAWING, (done + row / len(WAYS) * len(values)) / limit)
            batches.append(inputs.close(values, way.axis, departure_mm=way.departure_mm, met=met))
        excursions = {axis: inputs.excursions_beyond(values, axis) for axis in AXES}
        good = np.logical_and.reduce([finite(batch) for batch in batches])
        failed += int((~good).sum())
        done, block = done + len(values), block + 1
        if failed > 0.01 * done:
            raise InputError(
                "uncertainty",
                f"{failed} of {done} draws without a closure",
                "at most 1 in 100",
                "The scatter is too wide for this record, pin or pair of casts: narrow it, or "
                "choose another stop.",
            )
        kept.append(quantities_of(batches[0])[good])
        test.add(kept[-1][:, 0])
        for tally, batch in zip(tallies, batches, strict=True):
            tally.add(batch, excursions[tally.way.axis], good)
    return Trials(np.concatenate(kept), tallies, block, failed, test.done)


def count_on(inputs: UncertaintyInputs, trials: Trials, most: int, tell: Progress) -> None:
    """Count the ways out whose chance straddles the risk limit on, until it clears or ``most``.

    It is looked at each time the draws have doubled, so that looking often settles nothing.
    """
    waiting, block = [t for t in trials.tallies if t.unsettled], trials.blocks
    look = 2 * max((t.draws for t in waiting), default=0)
    while waiting and look <= most:
        tell(DRAWING, 0.95)
        values = block_of(inputs, block, most)
        block += 1
        for tally in waiting:
            way = tally.way
            batch = inputs.close(values, way.axis, departure_mm=way.departure_mm)
            tally.add(batch, inputs.excursions_beyond(values, way.axis), finite(batch), keep=False)
        if waiting[0].draws >= look:
            look *= 2
            waiting = [tally for tally in waiting if tally.unsettled]


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


def nearer_tally(draws: ClosureDraws, departure_mm: float) -> Tally:
    """The way with a record nearer the planned OVD, counted with the draws that found it."""
    inputs, values = draws.inputs, draws.values
    tally = Tally(inputs, nearer(departure_mm))
    batch = inputs.close(values, "arbitrary", departure_mm=departure_mm)
    tally.add(batch, inputs.excursions_beyond(values, "arbitrary"), finite(batch))
    return tally


def way_chance(tally: Tally) -> WayChance:
    """One way out by its counts."""
    inputs, way = tally.inputs, tally.way
    departure = inputs.nominal_departure_mm if way.departure_mm is None else way.departure_mm
    beyond = tally.beyond / tally.draws
    worst, high = (np.concatenate(parts) for parts in (tally.displacement_mm, tally.high_mm))
    at = int(np.argmax(beyond))
    sizes = float(np.quantile(worst, inputs.coverage)), float(np.quantile(high, inputs.coverage))
    if inputs.measured:
        one = inputs.close(NOMINAL, way.axis, departure_mm=way.departure_mm)
        highest = one.high_mm[0, np.argmax(np.abs(one.high_mm[0]))]
        sizes = float(one.magnitude_mm.max()), float(highest)
        by_measure = one.sizes_mm(inputs.decision.measure)[0]
        at = int(np.argmax(by_measure)) if by_measure.max() > ROUNDING_MM else at
    return WayChance(
        way=way,
        departure_mm=departure,
        chances=tally.chances,
        beyond=beyond,
        displacement_mm=sizes[0],
        high_mm=sizes[1],
        worst=at,
        worst_mean_mm=float(worst.mean()),
        worst_median_mm=float(np.median(worst)),
        worst_high_mm=float(np.quantile(worst, inputs.coverage)),
    )
