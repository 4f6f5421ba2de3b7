"""Rows of a sweep: each sample of a study as one closure, in batches where that is possible."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.closure.batch import (
    ANGLE,
    DROP,
    ClosureBatch,
    OpeningRule,
    closures,
    record_motions,
)
from kinematics.closure.geometry import MAX_OPENING_DEG, geometry_of, pin_tip
from kinematics.closure.place import PlacedCase, place
from kinematics.closure.stops import Stop
from kinematics.closure.tooth_contact import MAX_CLOSING_DEG
from kinematics.contact.first_contact import PreparedPair, prepare
from kinematics.contact.samples import sample_contacts
from kinematics.excursions.compare import excursion_errors
from kinematics.excursions.results import EXCURSIONS
from kinematics.excursions.settings import front_of
from kinematics.sweep.design import sample_points
from kinematics.sweep.study import Study
from kinematics.uncertainty.inputs import opening_rules
from kinematics.uncertainty.populations import OFFSETS

Columns = dict[str, NDArray]
CONTACT_WORDS = ("none_in_range", "contact", "already_touching", "not_reached")
NO_CLOSURE = "no closure: a height or an opening is out of reach"

BATCHED = (
    *(f"arbitrary_axis.{name}" for name in OFFSETS),
    "record.thickness_mm",
    "record.opening_deg",
    "target.vdo_change_mm",
    "target.opening_deg",
    "decision.tolerance_mm",
)
"""Fields whose samples are closed in one batch; any other field goes case by case."""


@dataclass(frozen=True, eq=False)
class SweepJob:
    """All that a worker needs: a checked study and its placed case (picklable)."""

    study: Study
    placed: PlacedCase

    @cached_property
    def pair(self) -> PreparedPair:
        """The casts at the scanned pose."""
        upper, lower = self.placed.upper, self.placed.lower
        assert upper is not None
        assert lower is not None
        return prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)

    @cached_property
    def landmark_index(self) -> NDArray[np.intp]:
        """Which landmarks are reported."""
        names = self.placed.landmarks.names
        return np.array([names.index(n) for n in self.study.landmarks or names])

    @property
    def batched(self) -> bool:
        """Whether every varied field allows closing in batches."""
        case = self.placed.case
        fixed = getattr(case.mounting, "axis", "true") != "arbitrary" and case.marks is None
        present = {
            "record.thickness_mm": case.record.thickness_mm is not None,
            "record.opening_deg": case.record.opening_deg is not None,
            "target.vdo_change_mm": case.target.vdo_change_mm is not None,
            "target.opening_deg": case.target.opening_deg is not None,
        }
        return (
            fixed
            and not self.study.excursions
            and all(v.field in BATCHED and present.get(v.field, True) for v in self.study.vary)
        )


def sweep_job(study: Study) -> SweepJob:
    """Place a study's case and check the landmarks that it names.

    Raises
    ------
    InputError
        The case cannot be placed, or a landmark's name is unknown.
    """
    placed = place(study.case)
    for name in study.landmarks:
        if name not in placed.landmarks.names:
            where = "landmarks"
            fix = "Name landmarks of the case, or leave landmarks out for all."
            raise InputError(where, repr(name), "one of " + ", ".join(placed.landmarks.names), fix)
    if placed.upper is None and study.first_contact:
        raise InputError("first_contact", "no casts", "[casts] in the case", "Give the casts.")
    return SweepJob(study, placed)


def evaluate_chunk(job: SweepJob, chunk: int, *, threads: int | None = 1) -> Columns:
    """Rows of one chunk as columns, each of shape (rows,).

    Parameters
    ----------
    job : SweepJob
    chunk : int
    threads : int, optional
        For first contacts.

    Notes
    -----
    *Guarantee*: depends on the study, its case and the chunk's number only. A sample that the
    case refuses, or that has no closure, keeps its row: ``status`` says why and its results are
    NaN.
    """
    points = sample_points(job.study, chunk)
    rows = job.study.rows_of(chunk)
    out: Columns = {"sample": np.arange(rows.start, rows.stop, dtype=np.int64)}
    out |= {v.field: points[:, i] for i, v in enumerate(job.study.vary)}
    if job.batched:
        return out | evaluate_batch(job, points, threads=threads)
    return out | evaluate_each(job, points, threads=threads)


def evaluate_batch(job: SweepJob, points: FloatArray, *, threads: int | None = 1) -> Columns:
    """Close all samples at once; only for fields of :data:`BATCHED`."""
    samples, out, contact = samples_of(job, points), Columns(), None
    if job.study.first_contact:
        out, samples, contact = first_contacts(job, samples, threads)
    elif job.placed.case.target.first_contact:
        got = "false with target.first_contact"
        need = "true: the target is the first contact"
        raise InputError("first_contact", got, need, "Set first_contact = true in the study.")
    batches = {stop: samples.closed(stop, contact) for stop in job.study.stops}
    one = samples.closed("equal_angle", landmarks=False)
    openings = np.stack([one.record_opening_deg, one.target_opening_deg], axis=1)
    reached = np.abs(np.nan_to_num(openings, nan=np.inf)) <= MAX_OPENING_DEG
    good = np.logical_and(*reached.T)
    head = head_columns(openings, good, samples.true_mm, job.placed.landmarks.incisal_point_mm)
    for stop, batch in batches.items():
        out |= stop_columns(job, stop, batch, good, samples.tolerance_mm)
    status = np.where(good, "ok", NO_CLOSURE).astype(object)
    return {"status": status, **head, **out}


@dataclass(frozen=True, eq=False)
class Samples:
    """What one batch closes, ``n`` samples of a placed case.

    Attributes
    ----------
    true_mm, used_mm : ndarray, shape (1, 2, 3) and (n, 2, 3), mm
        Points of the true axis and of the articulator's.
    record, target : OpeningRule
    record_value, target_value, tolerance_mm : ndarray, shape (n,)
    """

    placed: PlacedCase
    true_mm: FloatArray
    used_mm: FloatArray
    record: OpeningRule
    record_value: FloatArray
    target: OpeningRule
    target_value: FloatArray
    tolerance_mm: FloatArray

    def closed(
        self, stop: Stop, contact_deg: FloatArray | None = None, *, landmarks: bool = True
    ) -> ClosureBatch:
        """Close every sample; without ``landmarks`` for its openings only."""
        marks, index = self.placed.landmarks, slice(None) if landmarks else slice(0, 0)
        return closures(
            self.true_mm,
            self.used_mm,
            marks.points_mm[index],
            marks.normals[index],
            pin_tip(self.placed.case, marks),
            self.record,
            self.record_value,
            self.target,
            self.target_value,
            stop,
            contact_closing_deg=contact_deg,
        )


def samples_of(job: SweepJob, points: FloatArray) -> Samples:
    """The samples whose varied fields have the values ``points``, shape (n, fields)."""
    placed, n = job.placed, len(points)
    case, mounting = placed.case, placed.mounting
    varied = {v.field: points[:, i] for i, v in enumerate(job.study.vary)}
    record, target = opening_rules(placed, 0.0)

    def value(rule: OpeningRule, drop: str, angle: str) -> FloatArray:
        return varied.get({DROP: drop, ANGLE: angle}[rule.kind], np.full(n, rule.value))

    true = mounting.true_axis.points_mm
    used = np.tile(mounting.arbitrary_axis.points_mm, (n, 1, 1))
    for i, name in enumerate(OFFSETS):
        if f"arbitrary_axis.{name}" in varied:
            side, along = i // 2, 2 * (i % 2)
            used[:, side, along] = true[side, along] + varied[f"arbitrary_axis.{name}"]
    return Samples(
        placed=placed,
        true_mm=true[None],
        used_mm=used,
        record=record,
        record_value=value(record, "record.thickness_mm", "record.opening_deg"),
        target=target,
        target_value=value(target, "target.vdo_change_mm", "target.opening_deg"),
        tolerance_mm=varied.get("decision.tolerance_mm", np.full(n, case.decision.tolerance_mm)),
    )


def first_contacts(
    job: SweepJob, samples: Samples, threads: int | None
) -> tuple[Columns, Samples, FloatArray]:
    """First contacts from every sample's record, about both axes.

    Returns
    -------
    columns
    samples
        With the target at the first contact about the true axis, where the case asks for it.
    closing_deg : ndarray, shape (n, 2)
        About the true axis and the articulator's; NaN where there is no contact.
    """
    n = len(samples.record_value)
    opening = samples.closed("equal_angle", landmarks=False).record_opening_deg
    motions = record_motions(samples.true_mm, np.nan_to_num(opening))
    # The true axis does not vary here: where the record does not either, one contact serves.
    few = slice(0, 1) if (motions == motions[:1]).all() else slice(0, n)
    out, closings = Columns(), {}
    for name, part, axes in (
        ("true", few, np.broadcast_to(samples.true_mm, (n, 2, 3))[few]),
        ("arbitrary", slice(None), samples.used_mm),
    ):
        found = sample_contacts(
            job.pair, motions[part], axes, max_closing_deg=MAX_CLOSING_DEG, threads=threads
        )
        out |= {k: np.resize(v, n) for k, v in contact_columns(name, *found).items()}
        closings[name] = out[f"contact_closing_deg.{name}"]
    if job.placed.case.target.first_contact:
        rule = OpeningRule(ANGLE, 0.0, job.placed.landmarks.incisal_point_mm)
        samples = replace(samples, target=rule, target_value=opening - closings["true"])
    return out, samples, np.stack([closings["true"], closings["arbitrary"]], axis=1)


def evaluate_each(job: SweepJob, points: FloatArray, *, threads: int | None = 1) -> Columns:
    """Close sample by sample: each is a changed case, placed anew where it must be."""
    single, blank = np.empty((1, 0)), empty_row(job)
    rows: list[Columns] = []
    for values in points:
        try:
            case = job.placed.case
            for v, value in zip(job.study.vary, values, strict=True):
                case = set_field(case, v.field, float(value))
            one = changed_job(job, job.placed.with_case(case))
            row = evaluate_batch(one, single, threads=threads)
            if job.study.excursions and row["status"][0] == "ok":
                row |= excursion_columns(one.placed)
            rows.append(row)
        except InputError as error:
            rows.append({"status": np.array([f"refused: {error}"], dtype=object)})
    return {name: np.concatenate([r.get(name, blank[name]) for r in rows]) for name in blank}


def changed_job(job: SweepJob, placed: PlacedCase) -> SweepJob:
    """The job of one changed case, with nothing left to vary; the casts are prepared once."""
    one = SweepJob(replace(job.study, case=placed.case, vary=()), placed)
    one.__dict__["landmark_index"] = np.array(
        [placed.landmarks.names.index(job.placed.landmarks.names[i]) for i in job.landmark_index]
    )
    same = placed.upper is job.placed.upper and placed.lower is job.placed.lower
    if same and job.study.first_contact:
        one.__dict__["pair"] = job.pair
    return one


def head_columns(
    openings: FloatArray, good: NDArray[np.bool_], true: FloatArray, incisal: FloatArray
) -> Columns:
    """Openings of record and target, (n, 2), and the departure; NaN where not ``good``."""
    heights = []
    for angle in np.nan_to_num(openings).T:
        motions = record_motions(true, np.ascontiguousarray(angle))
        heights.append(motions[:, 2] @ incisal + motions[:, 3, 2])
    record, target = np.where(good[:, None], openings, np.nan).T
    return {
        "record_opening_deg": record,
        "target_opening_deg": target,
        "departure_mm": np.where(good, heights[0] - heights[1], np.nan),
    }


def stop_columns(
    job: SweepJob, stop: Stop, batch: ClosureBatch, good: NDArray[np.bool_], tolerance: FloatArray
) -> Columns:
    """The worst of all landmarks, and the errors of those that the study asks for."""
    names = job.placed.landmarks.names
    error = np.where(good[:, None, None], batch.error_mm, np.nan)
    high = np.where(good[:, None], batch.high_mm, np.nan)
    size = np.sqrt((error**2).sum(axis=2))
    there = np.isfinite(size).all(axis=1)
    worst = np.argmax(np.where(np.isfinite(size), size, -1.0), axis=1)
    biggest = np.where(there, size.max(axis=1), np.nan)
    out: Columns = {
        f"closing_deg.{stop}": np.where(good, batch.closing_deg, np.nan),
        f"worst_displacement_mm.{stop}": biggest,
        f"worst_landmark.{stop}": np.where(there, np.array(names, dtype=object)[worst], "").astype(
            object
        ),
        f"within_tolerance.{stop}": there & (biggest <= tolerance),
    }
    for j in job.landmark_index:
        for c, axis in enumerate("xyz"):
            out[f"error_{axis}_mm.{stop}.{names[j]}"] = error[:, j, c]
        out[f"high_mm.{stop}.{names[j]}"] = high[:, j]
    return out


def contact_columns(
    name: str, status: NDArray[np.int8], closing: FloatArray, where: FloatArray
) -> Columns:
    """Status, closing and point of first contacts; NaN where there is none."""
    out: Columns = {
        f"contact_status.{name}": np.array(CONTACT_WORDS, dtype=object)[status],
        f"contact_closing_deg.{name}": np.where(status == 1, closing, np.nan),
    }
    for c, axis in enumerate("xyz"):
        out[f"contact_{axis}_mm.{name}"] = np.where(status == 1, where[:, c], np.nan)
    return out


def empty_row(job: SweepJob) -> Columns:
    """What stands in a row that the case refused."""
    nan = np.full(1, np.nan)
    k = len(job.placed.landmarks)
    out: Columns = {"status": np.array([""], dtype=object)}
    out |= dict.fromkeys(("record_opening_deg", "target_opening_deg", "departure_mm"), nan)
    if job.study.first_contact:
        for name in ("true", "arbitrary"):
            out |= contact_columns(name, np.array([3], dtype=np.int8), nan, np.full((1, 3), np.nan))
    for stop in job.study.stops:
        batch = ClosureBatch(np.full((1, k, 3), np.nan), np.full((1, k), np.nan), nan, nan, nan)
        out |= stop_columns(job, stop, batch, np.array([False]), nan)
    if job.study.excursions:
        out |= empty_excursion_columns()
    return out


EXCURSION_STEPS = 4
"""Steps of each excursion (ours): on the pin the end pose does not depend on their number."""

EXCURSION_TEETH_STEPS = 20
"""The same where teeth guide, as in an assessment: what they do on the way counts there."""


def excursion_columns(placed: PlacedCase) -> Columns:
    """Worst error (mm) and its landmark for each excursion of one case, columns of one row.

    The front is stopped as the case says; the casts are put together by hand. Where teeth guide,
    a row takes about as long as the excursions of an assessment (a second or two with casts of
    60,000 triangles), since the casts stand differently in each.

    Raises
    ------
    InputError
        Impossible settings.
    """
    steps = EXCURSION_STEPS if front_of(placed.case) == "pin" else EXCURSION_TEETH_STEPS
    errors = excursion_errors(geometry_of(placed), steps=steps)
    out = empty_excursion_columns()
    for kind, error in errors.kinds.items():
        size = np.linalg.norm(error.error_mm, axis=2).max(axis=0)
        worst = int(np.argmax(size))
        out[f"excursion_error_mm.{kind}"] = np.array([size[worst]])
        out[f"excursion_landmark.{kind}"] = np.array([errors.names[worst]], dtype=object)
        out[f"excursion_complete.{kind}"] = np.array([error.complete])
    return out


def empty_excursion_columns() -> Columns:
    """What stands in a row that has no result."""
    out: Columns = {}
    for kind in EXCURSIONS:
        out[f"excursion_error_mm.{kind}"] = np.full(1, np.nan)
        out[f"excursion_landmark.{kind}"] = np.array([""], dtype=object)
        out[f"excursion_complete.{kind}"] = np.array([False])
    return out
