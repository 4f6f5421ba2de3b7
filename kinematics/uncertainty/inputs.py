"""What is uncertain in one case, and how a draw of it becomes closures."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.special import ndtri

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.case.tables import Uncertainty
from kinematics.closure.batch import (
    ANGLE,
    DEPARTURE,
    DROP,
    ClosureBatch,
    OpeningRule,
    closures,
    identity_motions,
    record_motions,
)
from kinematics.closure.geometry import geometry_of, site_point
from kinematics.closure.place import PlacedCase
from kinematics.closure.stops import Stop
from kinematics.closure.tooth_contact import MAX_CLOSING_DEG
from kinematics.contact.first_contact import PreparedPair
from kinematics.contact.samples import sample_contacts
from kinematics.uncertainty.populations import (
    OFFSETS,
    DiscPopulation,
    Group,
    MeasuredPopulation,
    NormalPopulation,
    Population,
    read_offsets,
    study_population,
)

Axis = Literal["arbitrary", "located"]

COLUMNS = (
    *OFFSETS,
    *(f"true_{name}" for name in OFFSETS),
    "record_noise_mm",
    "target_noise_mm",
    *(f"mounting_turn_{c}_rad" for c in "xyz"),
    *(f"mounting_shift_{c}_mm" for c in "xyz"),
)
"""Columns of a draw: arbitrary offsets, error of the located axis, record, target, mounting."""

LOCATING_WORDS = (
    "anterior error in locating the left point of the true axis",
    "superior error in locating the left point of the true axis",
    "anterior error in locating the right point of the true axis",
    "superior error in locating the right point of the true axis",
)


@dataclass(frozen=True, eq=False)
class UncertaintyInputs:
    """One case's geometry at the scanned pose, and the distributions of its inputs.

    Attributes
    ----------
    names, teeth : tuple
        Of the ``k`` landmarks.
    landmarks_mm, normals : ndarray, shape (k, 3)
        In ``axis_orbital`` at the scanned pose.
    incisal_mm, pin_tip_mm : ndarray, shape (3,), mm
    located_points_mm, arbitrary_points_mm : ndarray, shape (2, 3), mm
        The located axis and the arbitrary one as the case gives them.
    record, target : OpeningRule
    population : Population
        Offsets of the arbitrary points from the true ones.
    true_axis_covariance_mm2 : ndarray, shape (4, 4)
        Of the located axis (left anterior, left superior, right anterior, right superior).
    record_sd_mm, target_sd_mm : float
        At the record's (target's) own site.
    mounting_covariance : ndarray, shape (6, 6), or None
        As :attr:`kinematics.mounting.mount.Mounting.covariance`.
    tolerance_mm : float
    stop : {"equal_angle", "pin", "contact"}
    coverage : float
    seed : int
    pair : PreparedPair or None
        Casts at the scanned pose, for ``contact``.
    target_by_contact : bool
        The target is the first contact about the true axis. With ``contact`` it is found for each
        draw; other stops hold it at ``target``.
    assumptions : tuple of str
        What had to be assumed, one sentence each.
    threads : int, optional
        For first contacts; all usable cores by default. Changes no number.
    """

    names: tuple[str, ...]
    teeth: tuple[int, ...]
    landmarks_mm: FloatArray
    normals: FloatArray
    incisal_mm: FloatArray
    pin_tip_mm: FloatArray
    located_points_mm: FloatArray
    arbitrary_points_mm: FloatArray
    record: OpeningRule
    target: OpeningRule
    population: Population
    true_axis_covariance_mm2: FloatArray
    record_sd_mm: float
    target_sd_mm: float
    mounting_covariance: FloatArray | None
    tolerance_mm: float
    stop: Stop
    coverage: float
    seed: int
    pair: PreparedPair | None = None
    target_by_contact: bool = False
    assumptions: tuple[str, ...] = ()
    threads: int | None = None

    @property
    def measured(self) -> bool:
        """Whether the arbitrary axis is this patient's own, not a draw from a population."""
        return isinstance(self.population, MeasuredPopulation)

    @property
    def groups(self) -> tuple[Group, ...]:
        """Independent uncertain inputs in words, with their columns of uniforms."""
        found = list(self.population.groups)
        at = self.population.n_uniform
        cov = self.true_axis_covariance_mm2
        if np.array_equal(cov, np.diag(np.diag(cov))):
            found += [(w, (at + i,)) for i, w in enumerate(LOCATING_WORDS) if cov[i, i] > 0.0]
        else:
            found.append(("error in locating the true axis", tuple(range(at, at + 4))))
        if self.record_sd_mm > 0.0:
            found.append(("thickness of the record", (at + 4,)))
        if self.target_sd_mm > 0.0:
            found.append(("vertical dimension reached", (at + 5,)))
        if self.mounting_covariance is not None and self.mounting_covariance.any():
            found.append(("position of the mounted casts", tuple(range(at + 6, at + 12))))
        return tuple(found)

    @property
    def n_uniform(self) -> int:
        """Uniform numbers that make one draw."""
        return self.population.n_uniform + 12

    def values(self, u: FloatArray) -> FloatArray:
        """Physical inputs, shape (n, 16), columns :data:`COLUMNS`, from uniforms in (0, 1)."""
        at = self.population.n_uniform
        z = ndtri(u[:, at:])
        out = np.zeros((len(u), len(COLUMNS)))
        if not self.measured:
            out[:, :4] = self.population.from_uniform(u[:, :at])
        out[:, 4:8] = z[:, :4] @ _root(self.true_axis_covariance_mm2).T
        out[:, 8] = self.record_sd_mm * z[:, 4]
        out[:, 9] = self.target_sd_mm * z[:, 5]
        if self.mounting_covariance is not None:
            out[:, 10:] = z[:, 6:] @ _root(self.mounting_covariance).T
        return out

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean, shape (16,), and covariance, shape (16, 16), of the physical inputs."""
        mean, cov = np.zeros(len(COLUMNS)), np.zeros((len(COLUMNS), len(COLUMNS)))
        if not self.measured:
            mean[:4], cov[:4, :4] = self.population.moments()
        cov[4:8, 4:8] = self.true_axis_covariance_mm2
        cov[8, 8], cov[9, 9] = self.record_sd_mm**2, self.target_sd_mm**2
        if self.mounting_covariance is not None:
            cov[10:, 10:] = self.mounting_covariance
        return mean, cov

    @property
    def nominal_departure_mm(self) -> float:
        """Departure at the incisors with nothing uncertain, opening positive, mm."""
        zero = np.zeros((1, len(COLUMNS)))
        batch = self._closed(zero, "located", "equal_angle", None)
        ends = [
            record_motions(self.located_points_mm[None], angle)[0]
            for angle in (batch.record_opening_deg, batch.target_opening_deg)
        ]
        record, target = (m[:3] @ self.incisal_mm + m[3] for m in ends)
        return float(record[2] - target[2])

    def close(
        self,
        values: FloatArray,
        axis: Axis,
        *,
        departure_mm: float | None = None,
        stop: Stop | None = None,
    ) -> ClosureBatch:
        """Close draws about the arbitrary or the located axis.

        Parameters
        ----------
        values : ndarray, shape (n, 16)
            As :meth:`values` gives them.
        axis : {"arbitrary", "located"}
            The articulator's axis; the patient always closes about the actual true axis.
        departure_mm : float, optional
            Nominal departure at the incisors, opening positive, instead of the case's record;
            the record's uncertainty is added to it.
        stop : optional
            The inputs' own by default.

        Notes
        -----
        The actual true axis is the located one plus its error. A measured arbitrary axis stays
        where it is; one from a population is drawn about the actual true axis, because a study's
        scatter already holds that study's own error of location.
        """
        return self._closed(values, axis, stop or self.stop, departure_mm)

    def _closed(
        self, values: FloatArray, axis: Axis, stop: Stop, departure_mm: float | None
    ) -> ClosureBatch:
        true = _shifted(self.located_points_mm, values[:, 4:8])
        if axis == "located":
            used = self.located_points_mm[None]
        elif self.measured:
            used = self.arbitrary_points_mm[None]
        else:
            used = _shifted(true, values[:, :4])
        rule = self.record
        if departure_mm is None:
            record = rule.value + self._in_rule(rule, values[:, 8])
        else:
            rule = OpeningRule(DEPARTURE, departure_mm, self.incisal_mm)
            record = departure_mm - values[:, 8]
        target = self.target.value + self._in_rule(self.target, values[:, 9])
        motions = _cast_motions(values[:, 10:])
        contact = None
        if stop == "contact":
            if self.target_by_contact:
                start = np.full(len(values), self._nominal_record_opening_deg)
                closing = self._contact_deg(true, true, start, motions)
                target = target - self.target.value + start - closing
            opened = self._record_opening_deg(true, rule, record, target, motions)
            contact = self._contact_deg(true, used, opened, motions)
        return closures(
            true,
            used,
            self.landmarks_mm,
            self.normals,
            self.pin_tip_mm,
            self.incisal_mm,
            rule,
            record,
            self.target,
            target,
            stop,
            cast_motions=motions,
            contact_closing_deg=contact,
        )

    def _in_rule(self, rule: OpeningRule, noise_mm: FloatArray) -> FloatArray:
        """A noise in mm as a change of the rule's own value (degrees for an angle)."""
        if rule.kind != ANGLE:
            return noise_mm
        reach = float(self.incisal_mm[0] - self.located_points_mm[:, 0].mean())
        return np.degrees(noise_mm / reach)

    @cached_property
    def _nominal_record_opening_deg(self) -> float:
        zero = np.zeros((1, len(COLUMNS)))
        return float(self._closed(zero, "located", "equal_angle", None).record_opening_deg[0])

    def _record_opening_deg(
        self,
        true: FloatArray,
        rule: OpeningRule,
        record: FloatArray,
        target: FloatArray,
        motions: FloatArray,
    ) -> FloatArray:
        return closures(
            true,
            true,
            self.landmarks_mm[:0],
            self.normals[:0],
            self.pin_tip_mm,
            self.incisal_mm,
            rule,
            record,
            self.target,
            target,
            "equal_angle",
            cast_motions=motions,
        ).record_opening_deg

    def _contact_deg(
        self,
        true: FloatArray,
        used: FloatArray,
        record_opening_deg: FloatArray,
        motions: FloatArray,
    ) -> FloatArray:
        """Closing at the first contact, shape (n,); 0 where already touching, NaN where none."""
        if self.pair is None:
            raise InputError(
                "decision.stop", "'contact' without casts", "[casts]", "Give the casts."
            )
        n = len(record_opening_deg)
        # Both casts lie off by the same motion x: the axes, seen from the casts, lie off by its
        # inverse, and the casts stay where they were prepared.
        turn = np.broadcast_to(motions[:, :3], (n, 3, 3))
        shift = np.broadcast_to(motions[:, 3], (n, 3))[:, None]
        seen_true, seen_used = (
            np.einsum("nji,nsj->nsi", turn, np.broadcast_to(axis, (n, 2, 3)) - shift)
            for axis in (true, used)
        )
        reached = np.isfinite(record_opening_deg)
        status, closing, _ = sample_contacts(
            self.pair,
            record_motions(seen_true, np.where(reached, record_opening_deg, 0.0)),
            seen_used,
            max_closing_deg=MAX_CLOSING_DEG,
            threads=self.threads,
        )
        return np.where(reached & (status > 0), closing, np.nan)


def _root(covariance: FloatArray) -> FloatArray:
    """A matrix whose square is a covariance, which may be singular."""
    size, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.clip(size, 0.0, None)) @ vectors.T


def _shifted(points: FloatArray, offsets: FloatArray) -> FloatArray:
    """Points, (2, 3) or (n, 2, 3), moved by offsets (n, 4) along anterior and superior."""
    out = np.array(np.broadcast_to(points, (len(offsets), 2, 3)))
    out[:, :, 0] += offsets[:, 0::2]
    out[:, :, 2] += offsets[:, 1::2]
    return out


def _cast_motions(moves: FloatArray) -> FloatArray:
    """Motions, shape (n, 4, 3), of (turn in rad, shift in mm), shape (n, 6)."""
    if not moves.any():
        return identity_motions()
    out = np.empty((len(moves), 4, 3))
    out[:, :3] = Rotation.from_rotvec(moves[:, :3]).as_matrix()
    out[:, 3] = moves[:, 3:]
    return out


APART = (
    "The articulator stops at tooth contact, which is not the target here: the error holds the "
    "whole way between the two."
)
"""Said of the stop ``contact`` where the target is not the first contact."""


SAME_POINT_MM = 1e-6
"""Axes closer than this are one: no offset was given (ours)."""


APART_FROM_GIVEN = (
    "The single error is that of the arbitrary axis as the case gives it; the chance counts axes "
    "scattered as stated, wherever this one lies."
)
"""Said where a case has both an arbitrary axis and a scatter."""


def inputs_from_case(
    placed: PlacedCase,
    *,
    stop: Stop | None = None,
    threads: int | None = None,
    table: Uncertainty | None = None,
) -> UncertaintyInputs:
    """Collect the uncertain inputs of a placed case.

    Parameters
    ----------
    placed : PlacedCase
        From :func:`kinematics.closure.place.place`.
    stop : optional
        The case's decision stop by default.
    threads : int, optional
        As :attr:`UncertaintyInputs.threads`.
    table : Uncertainty, optional
        The case's own by default, which it must have then.

    Raises
    ------
    InputError
        No ``[uncertainty]``, an unknown study, an offsets file that cannot be used, or ``contact``
        without casts.
    """
    case, marks = placed.case, placed.landmarks
    table = table or case.uncertainty
    if table is None:
        raise InputError(
            "uncertainty",
            "no [uncertainty]",
            "a table that says what is uncertain",
            "Add [uncertainty] arbitrary_axis = 'measured', or name a study.",
        )
    poses = geometry_of(placed)
    axes = placed.mounting
    record, target, assumed = opening_rules(
        placed, poses.target_opening_deg, poses.pin_tip_scanned_mm
    )
    located = np.array([axes.true_axis.left_point_mm, axes.true_axis.right_point_mm])
    arbitrary = np.array([axes.arbitrary_axis.left_point_mm, axes.arbitrary_axis.right_point_mm])
    chosen = stop or case.decision.stop
    pair = None
    if chosen == "contact" and not case.target.first_contact:
        assumed.append(APART)
    if chosen == "contact":
        pair = placed.contacts.pair
        if pair is None:
            raise InputError("decision.stop", "'contact'", "[casts]", "Give the casts.")
    offsets = (arbitrary - located)[:, ::2].reshape(4)
    apart = np.abs(offsets).max() > SAME_POINT_MM
    return UncertaintyInputs(
        names=marks.names,
        teeth=marks.teeth,
        landmarks_mm=marks.points_mm,
        normals=marks.normals,
        incisal_mm=marks.incisal_point_mm,
        pin_tip_mm=poses.pin_tip_scanned_mm,
        located_points_mm=located,
        arbitrary_points_mm=arbitrary,
        record=record,
        target=target,
        population=population_of(case, table, offsets),
        true_axis_covariance_mm2=table.true_axis_sd_mm**2 * np.eye(4)
        if axes.true_axis_covariance_mm2 is None
        else np.array(axes.true_axis_covariance_mm2),
        record_sd_mm=0.0 if case.record.as_scanned else table.record_thickness_sd_mm,
        target_sd_mm=table.target_sd_mm,
        mounting_covariance=axes.covariance,
        tolerance_mm=case.decision.tolerance_mm,
        stop=chosen,
        coverage=table.coverage,
        seed=table.seed,
        pair=pair,
        target_by_contact=case.target.first_contact,
        assumptions=(
            *assumed,
            *_assumptions(case, table, axes.true_axis_covariance_mm2 is not None),
            *((APART_FROM_GIVEN,) if table.arbitrary_axis != "measured" and apart else ()),
        ),
        threads=threads,
    )


def population_of(case: Case, table: Uncertainty, offsets_mm: FloatArray) -> Population:
    """The population that ``[uncertainty]`` names; ``offsets_mm``, (4,), are the measured ones."""
    if table.arbitrary_axis == "study":
        return study_population(
            str(table.study), left_right_correlation=table.left_right_correlation
        )
    if table.arbitrary_axis == "normal":
        return NormalPopulation(
            float(table.sd_anterior_mm or 0.0),
            float(table.sd_superior_mm or 0.0),
            table.bias_anterior_mm,
            table.bias_superior_mm,
            table.left_right_correlation,
            label=f"normal scatter given by the user, SD {table.sd_anterior_mm:g} mm anterior and "
            f"{table.sd_superior_mm:g} mm superior",
        )
    if table.arbitrary_axis == "disc":
        radius = float(table.radius_mm or 0.0)
        label = f"uniform within a disc given by the user, radius {radius:g} mm"
        return DiscPopulation(radius, label=label)
    if table.arbitrary_axis == "empirical":
        return read_offsets(case.path(str(table.file), "uncertainty.file"))
    return MeasuredPopulation(offsets_mm)


def opening_rules(
    placed: PlacedCase, target_opening_deg: float, pin_tip_mm: FloatArray
) -> tuple[OpeningRule, OpeningRule, list[str]]:
    """How a placed case gives its record and its target, and what is assumed of the target."""
    marks, case = placed.landmarks, placed.case
    nowhere = marks.incisal_point_mm
    assumed: list[str] = []

    def drop(amount: float, site: str | None) -> OpeningRule:
        name = site or "incisors"
        return OpeningRule(DROP, amount, site_point(name, marks, pin_tip_mm), name == "pin")

    if case.record.thickness_mm is not None:
        record = drop(case.record.thickness_mm, case.record.site)
    else:
        record = OpeningRule(ANGLE, case.record.opening_deg or 0.0, nowhere)
    if case.target.vdo_change_mm is not None:
        target = drop(case.target.vdo_change_mm, case.target.site)
    elif case.target.first_contact:
        target = OpeningRule(ANGLE, target_opening_deg, nowhere)
        assumed.append(
            "The target is the first contact about the true axis: with the stop 'contact' it is "
            "found for each draw, otherwise held at the opening found about the located axis."
        )
    else:
        target = OpeningRule(ANGLE, case.target.opening_deg or 0.0, nowhere)
    return record, target, assumed


def _assumptions(case: Case, table: Uncertainty, located: bool) -> list[str]:
    out = [
        "The located axis is as uncertain as its recordings made it (its covariance; "
        "true_axis_sd_mm is not used)."
        if located
        else f"The located axis is uncertain by {table.true_axis_sd_mm:g} mm (standard deviation) "
        "per coordinate and side, normal, the two sides independent."
    ]
    if table.arbitrary_axis == "study":
        out.append(
            "The study's scatter is taken about the actual true axis, for it already holds the "
            "study's own error of location; the width of the axis is the case's."
        )
    if table.arbitrary_axis == "measured":
        out.append("The offset of the arbitrary axis is this patient's, measured from the located.")
    if case.record.as_scanned:
        out.append("The record's thickness is not uncertain: the casts were scanned in it.")
    return out
