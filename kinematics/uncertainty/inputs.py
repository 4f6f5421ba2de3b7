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
from kinematics.closure.batch import (
    ANGLE,
    DEPARTURE,
    ClosureBatch,
    OpeningRule,
    closures,
    identity_motions,
    record_motions,
)
from kinematics.closure.stops import Stop
from kinematics.closure.tooth_contact import MAX_CLOSING_DEG
from kinematics.contact.first_contact import PreparedPair
from kinematics.contact.samples import sample_contacts
from kinematics.uncertainty.populations import OFFSETS, Group, MeasuredPopulation, Population

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
