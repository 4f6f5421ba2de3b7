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
from kinematics.closure.geometry import geometry_of, pin_tip, site_point
from kinematics.closure.place import PlacedCase
from kinematics.closure.stops import Stop
from kinematics.closure.tooth_contact import MAX_CLOSING_DEG
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

NOMINAL = np.zeros((1, len(COLUMNS)))
"""The draw in which nothing is off."""

LOCATING_WORDS = (
    "anterior error in locating the left point of the true axis",
    "superior error in locating the left point of the true axis",
    "anterior error in locating the right point of the true axis",
    "superior error in locating the right point of the true axis",
)


@dataclass(frozen=True, eq=False)
class UncertaintyInputs:
    """A placed case, and the distributions of what is uncertain in it.

    Attributes
    ----------
    placed : PlacedCase
        Its true axis is the located one; its mounting has a covariance of its own.
    population : Population
        Offsets of the arbitrary points from the true ones.
    true_axis_covariance_mm2 : ndarray, shape (4, 4)
        Of the located axis (left anterior, left superior, right anterior, right superior).
    record_sd_mm, target_sd_mm : float
        At the record's (target's) own site.
    stop : {"equal_angle", "pin", "contact"}
    coverage : float
    seed : int
    assumptions : tuple of str
        What had to be assumed, one sentence each.
    threads : int, optional
        For first contacts; all usable cores by default. Changes no number.
    """

    placed: PlacedCase
    population: Population
    true_axis_covariance_mm2: FloatArray
    record_sd_mm: float
    target_sd_mm: float
    stop: Stop
    coverage: float
    seed: int
    assumptions: tuple[str, ...] = ()
    threads: int | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Of the ``k`` landmarks."""
        return self.placed.landmarks.names

    @property
    def tolerance_mm(self) -> float:
        """The case's."""
        return self.placed.case.decision.tolerance_mm

    @cached_property
    def rules(self) -> tuple[OpeningRule, OpeningRule]:
        """How the case gives its record and its target, with their nominal values."""
        by_contact = self.placed.case.target.first_contact
        return opening_rules(
            self.placed, geometry_of(self.placed).target_opening_deg if by_contact else 0.0
        )

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
        mounting = self.placed.mounting.covariance
        if mounting is not None and mounting.any():
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
        out[:, 4:8] = z[:, :4] @ root(self.true_axis_covariance_mm2).T
        out[:, 8] = self.record_sd_mm * z[:, 4]
        out[:, 9] = self.target_sd_mm * z[:, 5]
        mounting = self.placed.mounting.covariance
        if mounting is not None:
            out[:, 10:] = z[:, 6:] @ root(mounting).T
        return out

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean, shape (16,), and covariance, shape (16, 16), of the physical inputs."""
        mean, cov = np.zeros(len(COLUMNS)), np.zeros((len(COLUMNS), len(COLUMNS)))
        if not self.measured:
            mean[:4], cov[:4, :4] = self.population.moments()
        cov[4:8, 4:8] = self.true_axis_covariance_mm2
        cov[8, 8], cov[9, 9] = self.record_sd_mm**2, self.target_sd_mm**2
        mounting = self.placed.mounting.covariance
        if mounting is not None:
            cov[10:, 10:] = mounting
        return mean, cov

    @cached_property
    def nominal_departure_mm(self) -> float:
        """Departure at the incisors with nothing uncertain, opening positive, mm."""
        batch = self.close(NOMINAL, "located", stop="equal_angle")
        openings = np.concatenate([batch.record_opening_deg, batch.target_opening_deg])
        true, incisal = self.placed.mounting.true_axis, self.placed.landmarks.incisal_point_mm
        record, target = record_motions(true.points_mm[None], openings)
        return float(record[2] @ incisal + record[3, 2] - target[2] @ incisal - target[3, 2])

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
        chosen, marks, mounting = stop or self.stop, self.placed.landmarks, self.placed.mounting
        record_rule, target_rule = self.rules
        true = shifted(mounting.true_axis.points_mm, values[:, 4:8])
        if axis == "located":
            used = mounting.true_axis.points_mm[None]
        elif self.measured:
            used = mounting.arbitrary_axis.points_mm[None]
        else:
            used = shifted(true, values[:, :4])
        if departure_mm is None:
            record = record_rule.value + self.in_rule(record_rule, values[:, 8])
        else:
            record_rule = OpeningRule(DEPARTURE, departure_mm, marks.incisal_point_mm)
            record = departure_mm - values[:, 8]
        target = target_rule.value + self.in_rule(target_rule, values[:, 9])
        motions = cast_motions(values[:, 10:])

        def closed(
            used: FloatArray, stop: Stop, contact: FloatArray | None = None, *, few: bool = False
        ) -> ClosureBatch:
            index = slice(0, 0) if few else slice(None)
            return closures(
                true,
                used,
                marks.points_mm[index],
                marks.normals[index],
                pin_tip(self.placed.case, marks),
                marks.incisal_point_mm,
                record_rule,
                record,
                target_rule,
                target,
                stop,
                cast_motions=motions,
                contact_closing_deg=contact,
            )

        if chosen != "contact":
            return closed(used, chosen)
        if self.placed.case.target.first_contact:
            start = np.full(len(values), self.nominal_record_opening_deg)
            meeting = start - self.contact_deg(true, true, start, motions)
            target = target - target_rule.value + meeting
        opened = closed(true, "equal_angle", few=True).record_opening_deg
        return closed(used, chosen, self.contact_deg(true, used, opened, motions))

    def in_rule(self, rule: OpeningRule, noise_mm: FloatArray) -> FloatArray:
        """A noise in mm as a change of the rule's own value (degrees for an angle)."""
        if rule.kind != ANGLE:
            return noise_mm
        axis, incisal = self.placed.mounting.true_axis, self.placed.landmarks.incisal_point_mm
        return np.degrees(noise_mm / float(incisal[0] - axis.points_mm[:, 0].mean()))

    @cached_property
    def nominal_record_opening_deg(self) -> float:
        """Opening of the record with nothing uncertain, degrees from the scanned pose."""
        return float(self.close(NOMINAL, "located", stop="equal_angle").record_opening_deg[0])

    def contact_deg(
        self,
        true: FloatArray,
        used: FloatArray,
        record_opening_deg: FloatArray,
        motions: FloatArray,
    ) -> FloatArray:
        """Closing at the first contact, shape (n,); 0 where already touching, NaN where none."""
        pair = self.placed.contacts.pair
        if pair is None:
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
            pair,
            record_motions(seen_true, np.where(reached, record_opening_deg, 0.0)),
            seen_used,
            max_closing_deg=MAX_CLOSING_DEG,
            threads=self.threads,
        )
        return np.where(reached & (status > 0), closing, np.nan)


def root(covariance: FloatArray) -> FloatArray:
    """A matrix whose square is a covariance, which may be singular."""
    size, vectors = np.linalg.eigh(covariance)
    return vectors * np.sqrt(np.clip(size, 0.0, None)) @ vectors.T


def shifted(points: FloatArray, offsets: FloatArray) -> FloatArray:
    """Points, (2, 3) or (n, 2, 3), moved by offsets (n, 4) along anterior and superior."""
    out = np.array(np.broadcast_to(points, (len(offsets), 2, 3)))
    out[:, :, 0] += offsets[:, 0::2]
    out[:, :, 2] += offsets[:, 1::2]
    return out


def cast_motions(moves: FloatArray) -> FloatArray:
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

TARGET_AT_CONTACT = (
    "The target is the first contact about the true axis: with the stop 'contact' it is found for "
    "each draw, otherwise held at the opening found about the located axis."
)
LOCATED_BY_RECORDINGS = (
    "The located axis is as uncertain as its recordings made it (its covariance; true_axis_sd_mm "
    "is not used)."
)
ABOUT_THE_ACTUAL_AXIS = (
    "The study's scatter is taken about the actual true axis, for it already holds the study's own "
    "error of location; the width of the axis is the case's."
)
MEASURED_OFFSET = "The offset of the arbitrary axis is this patient's, measured from the located."
SCANNED_IN_THE_RECORD = "The record's thickness is not uncertain: the casts were scanned in it."


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
    case = placed.case
    table = table or case.uncertainty
    if table is None:
        raise InputError(
            "uncertainty",
            "no [uncertainty]",
            "a table that says what is uncertain",
            "Add [uncertainty] arbitrary_axis = 'measured', or name a study.",
        )
    chosen, axes = stop or case.decision.stop, placed.mounting
    if chosen == "contact" and placed.contacts.pair is None:
        raise InputError("decision.stop", "'contact'", "[casts]", "Give the casts.")
    offsets = axes.arbitrary_axis.points_mm - axes.true_axis.points_mm
    offsets = offsets[:, ::2].reshape(4)
    located = axes.true_axis_covariance_mm2
    return UncertaintyInputs(
        placed=placed,
        population=population_of(case, table, offsets),
        true_axis_covariance_mm2=table.true_axis_sd_mm**2 * np.eye(4)
        if located is None
        else np.array(located),
        record_sd_mm=0.0 if case.record.as_scanned else table.record_thickness_sd_mm,
        target_sd_mm=table.target_sd_mm,
        stop=chosen,
        coverage=table.coverage,
        seed=table.seed,
        assumptions=assumptions_of(
            case,
            table,
            chosen,
            located=located is not None,
            apart=bool(np.abs(offsets).max() > SAME_POINT_MM),
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
    placed: PlacedCase, contact_opening_deg: float
) -> tuple[OpeningRule, OpeningRule]:
    """How a placed case gives its record and its target.

    ``contact_opening_deg`` is the opening of a target that is a first contact.
    """
    marks, case = placed.landmarks, placed.case
    nowhere = marks.incisal_point_mm

    def drop(amount: float, site: str | None) -> OpeningRule:
        name = site or "incisors"
        point = site_point(name, marks, pin_tip(case, marks))
        return OpeningRule(DROP, amount, point, name == "pin")

    if case.record.thickness_mm is not None:
        record = drop(case.record.thickness_mm, case.record.site)
    else:
        record = OpeningRule(ANGLE, case.record.opening_deg or 0.0, nowhere)
    if case.target.vdo_change_mm is not None:
        return record, drop(case.target.vdo_change_mm, case.target.site)
    opening = contact_opening_deg if case.target.first_contact else case.target.opening_deg or 0.0
    return record, OpeningRule(ANGLE, opening, nowhere)


def assumptions_of(
    case: Case, table: Uncertainty, stop: Stop, *, located: bool, apart: bool
) -> tuple[str, ...]:
    """What had to be assumed: of the target, the located axis, the arbitrary one, the record.

    Parameters
    ----------
    located : bool
        Whether the true axis brings its own covariance.
    apart : bool
        Whether the case gives its arbitrary axis an offset.
    """
    by_contact, measured = case.target.first_contact, table.arbitrary_axis == "measured"
    said = (
        (by_contact and case.target.vdo_change_mm is None, TARGET_AT_CONTACT),
        (stop == "contact" and not by_contact, APART),
        (located, LOCATED_BY_RECORDINGS),
        (
            not located,
            f"The located axis is uncertain by {table.true_axis_sd_mm:g} mm (standard deviation) "
            "per coordinate and side, normal, the two sides independent.",
        ),
        (table.arbitrary_axis == "study", ABOUT_THE_ACTUAL_AXIS),
        (measured, MEASURED_OFFSET),
        (case.record.as_scanned, SCANNED_IN_THE_RECORD),
        (not measured and apart, APART_FROM_GIVEN),
    )
    return tuple(sentence for holds, sentence in said if holds)
