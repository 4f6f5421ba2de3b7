"""What is uncertain in one case, and how a draw of it becomes closures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation
from scipy.special import ndtri

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.case.tables import Decision, Uncertainty
from kinematics.closure.batch import (
    ANGLE,
    DROP,
    ClosureBatch,
    OpeningRule,
    closures,
    identity_motions,
    record_motions,
)
from kinematics.closure.close import SAME_POINT_MM
from kinematics.closure.geometry import Geometry, geometry_of, pin_tip, site_point
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
ExcursionSizes = Callable[[FloatArray, FloatArray | None], FloatArray]

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
    excursions : callable, optional
        Largest excursion error (mm), shape (n,), of draws of the actual true axis and of the
        articulator's axis, each as offsets (n, 4) from the located one (None: the located one is
        used); None without an articulator.
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
    excursions: ExcursionSizes | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """Of the ``k`` landmarks."""
        return self.placed.landmarks.names

    @property
    def tolerance_mm(self) -> float:
        """The case's."""
        return self.placed.case.decision.tolerance_mm

    @property
    def decision(self) -> Decision:
        """What the case's answer is measured by."""
        return self.placed.case.decision

    @cached_property
    def geometry(self) -> Geometry:
        """Record and planned OVD with nothing uncertain."""
        return geometry_of(self.placed)

    @cached_property
    def rules(self) -> tuple[OpeningRule, OpeningRule]:
        """How the case gives its record and its target, with their nominal values."""
        by_contact = self.placed.case.target.first_contact
        return opening_rules(self.placed, self.geometry.target_opening_deg if by_contact else 0.0)

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
        if self.target_sd_mm > 0.0 and self.stop != "contact":
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
        incisal = self.placed.landmarks.incisal_point_mm
        record = self.geometry.record_from_scanned.apply(incisal)
        return float(record[2] - incisal[2] + self.geometry.target_drop_mm)

    @property
    def direction(self) -> float:
        """+1 where the plan opens from its record, -1 where it closes (or does neither)."""
        return 1.0 if self.nominal_departure_mm > 0.0 else -1.0

    def close(
        self,
        values: FloatArray,
        axis: Axis,
        *,
        departure_mm: float | None = None,
        met: dict[float | None, FloatArray] | None = None,
    ) -> ClosureBatch:
        """Close draws about the arbitrary or the located axis.

        Parameters
        ----------
        values : ndarray, shape (n, 16)
            As :meth:`values` gives them.
        axis : {"arbitrary", "located"}
            The articulator's axis; the patient always closes about the actual true axis.
        departure_mm : float, optional
            Where the record lies from the nominal planned OVD, at the incisors, opening positive,
            in place of the case's record; the record's uncertainty is added to it.
        met : dict, optional
            First contacts about the true axis of the same draws, by departure: what is there is
            used, what is found is added.

        Notes
        -----
        The actual true axis is the located one plus its error. A measured arbitrary axis stays
        where it is; one from a population is drawn about the actual true axis, because a study's
        scatter already holds that study's own error of location.
        """
        marks, mounting = self.placed.landmarks, self.placed.mounting
        met = {} if met is None else met
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
            record_rule = OpeningRule(DROP, 0.0, marks.incisal_point_mm)
            record = self.geometry.target_drop_mm - departure_mm + values[:, 8]
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
                self.geometry.pin_tip_scanned_mm,
                record_rule,
                record,
                target_rule,
                target,
                stop,
                cast_motions=motions,
                contact_closing_deg=contact,
            )

        if self.stop != "contact":
            return closed(used, self.stop)
        opened = closed(true, "equal_angle", few=True).record_opening_deg
        if departure_mm not in met:
            met[departure_mm] = self.contact_deg(true, true, opened, motions)
        both = met[departure_mm], met[departure_mm]
        if not (used == true).all():
            both = both[0], self.contact_deg(true, used, opened, motions)
        return closed(used, "contact", np.stack(both, axis=1))

    def excursions_beyond(self, values: FloatArray, axis: Axis) -> NDArray[np.bool_]:
        """Which draws leave the excursions' tolerance, shape (n,); none without an articulator."""
        if self.excursions is None:
            return np.zeros(len(values), dtype=bool)
        used = None
        if axis == "arbitrary":
            used = values[:, :4] + values[:, 4:8]
            if self.measured:
                used = self.population.from_uniform(np.empty((len(values), 0)))
        limit = self.decision.excursion_tolerance_mm or self.tolerance_mm
        return ~(self.excursions(values[:, 4:8], used) <= limit)

    def in_rule(self, rule: OpeningRule, noise_mm: FloatArray) -> FloatArray:
        """A noise in mm as a change of the rule's own value (degrees for an angle)."""
        if rule.kind != ANGLE:
            return noise_mm
        axis, incisal = self.placed.mounting.true_axis, self.placed.landmarks.incisal_point_mm
        return np.degrees(noise_mm / float(incisal[0] - axis.points_mm[:, 0].mean()))

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
        rows = (true, used, record_opening_deg, motions)
        if n > 1 and all((part == part[:1]).all() for part in rows):  # nothing varies
            return np.repeat(self.contact_deg(*(part[:1] for part in rows)), n)
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


BOTH_AT_CONTACT = (
    "Both bites close to their own first contact, found anew for each draw; the planned OVD plays "
    "no part in it."
)
"""Said of the stop ``contact``."""

TARGET_AT_CONTACT = (
    "The planned OVD is the first contact about the located axis, and held there in every draw."
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


DEFAULTED = {
    "true_axis_sd_mm": " The case does not say it: a default (ours; axes located on an instrument "
    "lay within areas of up to 2.4 mm diameter, J Prosthet Dent 1979;42:135-144, abstract read).",
    "record_thickness_sd_mm": " The case does not say it: a default (ours; castings mounted with "
    "records repeated within an SD of 0.102 mm, Osnes, read).",
    "target_sd_mm": " The case does not say it: a default (ours; no source).",
}
"""Lines of ``[uncertainty]`` with a default, and what is said where the case leaves one out."""

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
    excursions: ExcursionSizes | None = None,
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
        The case's own by default; where it has none, the defaults, which stand in the assumptions.
    excursions : callable, optional
        As :attr:`UncertaintyInputs.excursions`.

    Raises
    ------
    InputError
        An unknown study, an offsets file that cannot be used, or ``contact`` without casts.
    """
    case = placed.case
    table = table or case.uncertainty or Uncertainty()
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
        excursions=excursions,
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
    ours = set(DEFAULTED) - table.model_fields_set
    said = (
        (by_contact and case.target.vdo_change_mm is None, TARGET_AT_CONTACT),
        (stop == "contact", BOTH_AT_CONTACT),
        (located, LOCATED_BY_RECORDINGS),
        (
            not located,
            f"The located axis is uncertain by {table.true_axis_sd_mm:g} mm (standard deviation) "
            "per coordinate and side, normal, the two sides independent."
            + (DEFAULTED["true_axis_sd_mm"] if "true_axis_sd_mm" in ours else ""),
        ),
        (
            "record_thickness_sd_mm" in ours and not case.record.as_scanned,
            "The interocclusal record's thickness is uncertain by "
            f"{table.record_thickness_sd_mm:g} mm (standard deviation), normal."
            + DEFAULTED["record_thickness_sd_mm"],
        ),
        (
            "target_sd_mm" in ours and stop != "contact",
            "The planned OVD is reached exactly." + DEFAULTED["target_sd_mm"],
        ),
        (table.arbitrary_axis == "study", ABOUT_THE_ACTUAL_AXIS),
        (measured, MEASURED_OFFSET),
        (case.record.as_scanned, SCANNED_IN_THE_RECORD),
        (not measured and apart, APART_FROM_GIVEN),
    )
    return tuple(sentence for holds, sentence in said if holds)
