"""How far the excursions leave when the axes lie a little elsewhere: many draws, a few paths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.spatial import ConvexHull, QhullError
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.articulator.guides import IncisalTable
from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.articulator.path import ExcursionPath, Kind
from kinematics.articulator.solver import pin_gaps
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import InputError
from kinematics.closure.geometry import Geometry
from kinematics.excursions.compare import Unit, recorded_settings, set_up
from kinematics.excursions.results import EXCURSIONS
from kinematics.excursions.settings import (
    case_guidance,
    front_of,
    patient_frame,
    settings_from_of,
    third_point_used,
)

STEPS = 5
"""Steps of an excursion here (ours): every fourth of the 20 that are shown, the last among them."""
NODE_MM = 4.0
"""How far from its centre an expansion tries the axis points (ours): see :func:`nodes_mm`."""
LEAST_NODE_MM = 0.25
"""Where records tell no settings even this near, those of the centre are kept (ours)."""
BLOCK = 4096
"""Draws at a time (ours): what one block needs stays small."""
TRIED, TRIED_REACH = 4096, (0.02, 3.0)
"""How many offsets pick the places that count, and their spread in reaches of a node (ours)."""
NOTHING_MM = 1e-9
"""A step at which nothing ever moves by more counts for nothing (rounding only)."""


def nodes_mm(reach_mm: float) -> FloatArray:
    """Offsets at which an expansion is found, shape (15, 4): one for each coefficient.

    The centre, each coordinate forth and back (9), and each pair of coordinates forth together.
    """
    unit = np.eye(4)
    pairs = [unit[i] + unit[j] for i in range(4) for j in range(i)]
    return reach_mm * np.array([np.zeros(4), *unit, *-unit, *pairs])


def monomials(x: FloatArray) -> FloatArray:
    """1, four coordinates, their squares (9), and products of two, shape (n, 15), of x (n, 4)."""
    i, j = np.triu_indices(4, 1)
    return np.hstack([np.ones((len(x), 1)), x, x * x, x[:, i] * x[:, j]])


def corners(points_mm: FloatArray) -> FloatArray:
    """Those of points (k, 3) that no others enclose; all where they span no volume.

    Notes
    -----
    *Guarantee*: the largest displacement of all points by two rigid motions, or by anything else
    that is linear in a point, is that of one of these. *Source*: a convex function on a polytope
    is largest in a vertex.
    """
    try:
        return np.asarray(points_mm[np.sort(ConvexHull(points_mm).vertices)])
    except (QhullError, ValueError):
        return points_mm


@dataclass(frozen=True, eq=False)
class Expansion:
    """Displacements over the offset of the used axis from the true one, to second order.

    Its ``m`` places are pairs of a step and a landmark. Where the table slopes to both sides, the
    pin rests on the first of its two planes, or on the second where the first would put it through
    that. Coefficients are those of the first ``q`` of :func:`monomials`, 15 or 9.

    Attributes
    ----------
    centre_mm : ndarray, shape (4,)
    reach_mm : float
        Distance of the nodes from the centre.
    first, second : ndarray, shape (q, 3, m), mm
        Displacement with the pin on either plane; the same where there is one plane only.
    gap : ndarray, shape (q, m), mm
        Of the pin and the second plane while it rests on the first.
    left_out : tuple of str
        Excursions that patient or articulator cannot even start, at some node.
    """

    centre_mm: FloatArray
    reach_mm: float
    first: FloatArray
    second: FloatArray
    gap: FloatArray
    left_out: tuple[Kind, ...]

    def squares(self, offsets_mm: FloatArray) -> FloatArray:
        """Squared displacement at each place, shape (n, m), mm2, for relative offsets (n, 4)."""
        x = monomials((offsets_mm - self.centre_mm) / self.reach_mm)[:, : len(self.gap)]
        on_first, on_second = (
            sum((np.square(x @ plane[:, axis]) for axis in range(3)), np.zeros(()))
            for plane in (self.first, self.second)
        )
        return np.where(x @ self.gap < 0.0, on_second, on_first)

    def sizes(self, offsets_mm: FloatArray) -> FloatArray:
        """Largest displacement of each draw, shape (n,), mm; NaN where there is no place."""
        out = np.full(len(offsets_mm), np.nan)
        for at in range(0, len(offsets_mm) if self.gap.size else 0, BLOCK):
            rows = slice(at, at + BLOCK)
            out[rows] = np.sqrt(self.squares(offsets_mm[rows]).max(axis=1))
        return out

    def worst_places(self) -> Expansion:
        """Keep the places that are worst for one of many offsets tried, near and far.

        Notes
        -----
        A place that none of them found can be the worst elsewhere: in less than one draw in a
        hundred, by less than a hundredth (tested).
        """
        if not self.gap.size:
            return self
        tried = np.random.default_rng(0).normal(size=(TRIED, 4))
        tried *= self.reach_mm * np.geomspace(*TRIED_REACH, TRIED)[:, None]
        worst = [self.squares(self.centre_mm + part).argmax(axis=1) for part in np.split(tried, 32)]
        kept = np.unique(np.concatenate(worst))
        return replace(
            self,
            first=self.first[..., kept],
            second=self.second[..., kept],
            gap=self.gap[:, kept],
        )


@dataclass(frozen=True, eq=False)
class ExcursionModel:
    """What the offsets of both axes do to the excursions of one closed case.

    Attributes
    ----------
    geometry : Geometry
        Of the closed case (``closures.geometry``); with its ``front`` "pin" no casts are needed.

    Notes
    -----
    Only how the used axis lies to the true one counts: moving both by 3 mm changes the error by
    some 5 %, to either side (tested). So the true axis stays at the located one, where the
    patient's path is found once. The articulator's is found at 15 offsets from it, as many as a
    quadratic of four coordinates has coefficients, about the located and about the used axis each.
    It goes through all of them, so the case's own error is exact. Without the second order, one
    draw in twenty would be off by 15 % at a scatter of 5 mm, and with it by 3 %. A table that
    slopes to both sides has a ridge, on which a protrusion runs: both of its planes are followed,
    and each draw takes the one that the pin meets. Displacements are linear in the landmark, so
    that only :func:`corners` of the landmarks are carried; the steps are the five of :data:`STEPS`.

    With ``front`` "teeth" or "first" the teeth are closed at 9 offsets (no pairs; half a second
    to a second each). Contacts that jump from tooth to tooth are smoothed: some 0.02 to 0.04 mm in
    a draw of 5 mm of scatter, against 0.002 mm for one of a located axis (measured on the demo).

    An excursion that ends early counts as far as the patient, and the articulator at every offset
    tried, come; one that cannot start counts nowhere (:attr:`Expansion.left_out`). A draw for
    which records would tell settings that no articulator has counts by the same quadratic, found
    nearer by.
    *Source*: derived here.
    """

    geometry: Geometry

    def sizes(self, true_offsets_mm: FloatArray, used_offsets_mm: FloatArray | None) -> FloatArray:
        """Largest displacement over excursions, landmarks and steps of each draw, shape (n,), mm.

        Parameters
        ----------
        true_offsets_mm, used_offsets_mm : ndarray, shape (n, 4), mm
            Of the actual true and of the used axis from the located one: left anterior, left
            superior, right anterior, right superior. None: the located axis is used.

        Returns
        -------
        ndarray
            NaN where no excursion can be compared.
        """
        if used_offsets_mm is None:
            return self.located.sizes(-true_offsets_mm)
        return self.arbitrary.sizes(used_offsets_mm - true_offsets_mm)

    @cached_property
    def located(self) -> Expansion:
        """About the located axis on itself."""
        return self.expansion(self.geometry.true_axis).worst_places()

    @cached_property
    def arbitrary(self) -> Expansion:
        """About the used axis on the located one."""
        apart = self.geometry.arbitrary_axis.points_mm - self.geometry.true_axis.points_mm
        if not apart.any():
            return self.located
        return self.expansion(self.geometry.arbitrary_axis).worst_places()

    @cached_property
    def points_mm(self) -> FloatArray:
        """The landmarks at the target that one of can be worst, shape (k, 3)."""
        return corners(self.geometry.landmarks.points_mm)

    @cached_property
    def patient(self) -> Unit:
        """The patient's guidance about the located axis."""
        settings = case_guidance(self.geometry).patient.settings
        still, front = RigidTransform.identity(), front_of(self.geometry.placed.case)
        return set_up(self.geometry, settings, patient_frame(self.geometry.true_axis), still, front)

    @cached_property
    def patient_paths(self) -> dict[Kind, ExcursionPath]:
        """The patient's excursions."""
        return {kind: self.path(self.patient, kind) for kind in EXCURSIONS}

    def path(self, unit: Unit, kind: Kind) -> ExcursionPath:
        """One excursion of the patient or of an articulator."""
        front = front_of(self.geometry.placed.case)
        return excursion(
            unit.guidance, kind, STEPS, travel_mm=DEFAULT_TRAVEL_MM, front=front, teeth=unit.teeth
        )

    def set_by(self, axis: HingeAxis) -> ArticulatorSettings:
        """What the articulator is set to with the casts in it by an axis.

        Raises
        ------
        InputError
            A record that tells no setting that an articulator has.
        """
        own, placed = self.patient.guidance.settings, self.geometry.placed
        if settings_from_of(placed.case) != "records":
            return own
        if not self.geometry.recorded:
            frame, still = self.frame(axis), RigidTransform.identity()
            return recorded_settings(self.patient, own, frame, still, DEFAULT_TRAVEL_MM)
        mounting = replace(placed.mounting, arbitrary_axis=axis)
        there = replace(self.geometry, placed=replace(placed, mounting=mounting))
        told = case_guidance(there).articulator
        return own if told is None else told.settings

    def frame(self, axis: HingeAxis) -> RigidTransform:
        """Frame of the articulator with the casts in it by an axis and the case's third point."""
        return axis_orbital_from_points(axis, third_point_used(self.geometry.placed.case))

    def displacements(
        self, axis: HingeAxis, settings: ArticulatorSettings
    ) -> tuple[FloatArray, FloatArray]:
        """Displacements at a used axis on either plane of the table, and the second plane's gap.

        Shapes (2, s, k, 3) and (s,), mm, for the steps of all excursions in order; NaN where
        patient or articulator does not come.
        """
        frame, steps, still = self.frame(axis), STEPS + 1, RigidTransform.identity()
        front, table = front_of(self.geometry.placed.case), self.patient.guidance.table
        table = table.moved(frame * self.patient.frame.inv())
        unit, planes = set_up(self.geometry, settings, frame, still, front, table), [table]
        if front == "pin":
            planes = [IncisalTable(table.point_mm, normal) for normal in table.normals]
        moved = np.full((2, len(EXCURSIONS) * steps, len(self.points_mm), 3), np.nan)
        gap = np.full(len(EXCURSIONS) * steps, 1.0)
        for i, (kind, patient) in enumerate(self.patient_paths.items()):
            for plane, alone in enumerate(planes):
                path = self.path(replace(unit, guidance=replace(unit.guidance, table=alone)), kind)
                n = min(len(path.reached), len(patient.reached))
                at = slice(i * steps, i * steps + n)
                if n:
                    moved[plane, at] = carried(path, frame, self.points_mm)[:n]
                    moved[plane, at] -= carried(patient, self.patient.frame, self.points_mm)[:n]
                if plane == 0 and len(planes) > 1:
                    gap[at] = [pin_gaps(unit.guidance, s.motion)[1] for s in path.reached[:n]]
        first, second = (np.isfinite(part).all(axis=(1, 2)) for part in moved)
        moved[1, ~second] = moved[0, ~second]
        moved[0, ~first] = moved[1, ~first]
        return moved, np.where(first & second, gap, np.where(first, 1.0, -1.0))

    def expansion(self, axis: HingeAxis) -> Expansion:
        """Expand about a used axis; the nodes come nearer where a record tells no settings there.

        Where it tells none within a quarter of a millimetre, the axis's own are kept.

        Raises
        ------
        InputError
            It tells none at the axis itself.
        """
        reach, terms = NODE_MM, 15 if front_of(self.geometry.placed.case) == "pin" else 9
        own = self.set_by(axis)
        while True:
            nodes = [at_offset(axis, offset) for offset in nodes_mm(reach)[:terms]]
            try:
                told = [self.set_by(node) for node in nodes]
                break
            except InputError:
                if reach <= LEAST_NODE_MM:
                    told = [own] * terms
                    break
                reach *= 0.5
        found = [self.displacements(node, settings) for node, settings in zip(nodes, told)]
        moved, gap = (np.stack(part) for part in zip(*found))
        come = np.isfinite(moved).all(axis=(0, 1, 3, 4))
        kept = come & (np.abs(moved).max(axis=(0, 1, 3, 4)) > NOTHING_MM)
        solve = np.linalg.inv(monomials(nodes_mm(1.0))[:terms, :terms])
        first, second = (
            np.einsum("mn,nskc->mcsk", solve, moved[:, plane][:, kept]).reshape(terms, 3, -1)
            for plane in range(2)
        )
        started = come.reshape(len(EXCURSIONS), -1).any(axis=1)
        return Expansion(
            (axis.points_mm - self.geometry.true_axis.points_mm)[:, ::2].reshape(4),
            reach,
            first,
            second,
            np.repeat(solve @ gap[:, kept], len(self.points_mm), axis=1),
            tuple(kind for kind, begun in zip(EXCURSIONS, started) if not begun),
        )


def at_offset(axis: HingeAxis, offset_mm: FloatArray) -> HingeAxis:
    """An axis shifted by left anterior, left superior, right anterior, right superior, mm."""
    a, b, c, d = offset_mm.tolist()
    return axis.shifted(
        left_anterior_mm=a, left_superior_mm=b, right_anterior_mm=c, right_superior_mm=d
    )


def carried(path: ExcursionPath, frame: RigidTransform, points_mm: FloatArray) -> FloatArray:
    """Points, (k, 3) in ``axis_orbital``, along a path in a frame from there: (n, k, 3), there."""
    there = path.points_path(frame.apply(points_mm))
    return np.asarray(frame.inv().apply(there.reshape(-1, 3)).reshape(there.shape))
