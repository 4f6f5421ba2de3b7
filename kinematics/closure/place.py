"""A case placed in ``axis_orbital``: casts, axes, landmarks and the contacts between the casts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding, InputError
from kinematics.case.read import Case
from kinematics.case.remarks import findings as case_findings
from kinematics.case.tables import GuidanceRecord
from kinematics.casts.cast import Cast
from kinematics.casts.clearance import CastClearance, axes_in_casts
from kinematics.casts.health import check_pair
from kinematics.casts.occlusal import automatic_landmarks, occlusal_vertices, vertex_normals
from kinematics.closure.landmarks import LandmarkSet, landmarks_for
from kinematics.closure.scans import Scans, load_casts
from kinematics.closure.stops import UP
from kinematics.closure.tooth_contact import CastContacts
from kinematics.mounting.locating.locate import CaseAxis
from kinematics.mounting.methods import lower_to_upper
from kinematics.mounting.mount import Mounting, locate, mount

PREPARED = ("upper_occlusal", "lower_occlusal", "lower_tree")
"""What a placed case prepares once, and a changed one takes over."""


@dataclass(frozen=True, eq=False)
class OcclusalSurface:
    """Occlusal vertices of a cast: indices (n,), points and unit normals (n, 3), mm."""

    index: NDArray[np.intp]
    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]

    @classmethod
    def of(cls, cast: Cast) -> OcclusalSurface:
        """Find it on a cast in ``axis_orbital``."""
        index = occlusal_vertices(cast, UP)
        return cls(index, np.array(cast.vertices_mm[index]), vertex_normals(cast)[index])


@dataclass(frozen=True, eq=False)
class PlacedCase:
    """A case whose inputs are read and placed; nothing has moved yet.

    Attributes
    ----------
    scans : Scans
        The casts as read.
    located : CaseAxis or None
        The axis found from recordings, with ``located_axis``.
    clearances : tuple of CastClearance
        How near an axis runs to each cast; empty without casts.
    upper, lower : Cast or None
        In ``axis_orbital``, the lower at the scanned pose.
    landmarks : LandmarkSet
        At the scanned pose.
    """

    case: Case
    scans: Scans
    upper: Cast | None
    lower: Cast | None
    mounting: Mounting
    landmarks: LandmarkSet
    contacts: CastContacts
    findings: tuple[Finding, ...]
    located: CaseAxis | None = None
    clearances: tuple[CastClearance, ...] = ()

    @property
    def true_axis(self) -> HingeAxis:
        """The located axis."""
        return self.mounting.true_axis

    @property
    def arbitrary_axis(self) -> HingeAxis:
        """The axis that was, or would be, transferred."""
        return self.mounting.arbitrary_axis

    @cached_property
    def upper_occlusal(self) -> OcclusalSurface | None:
        """Occlusal surface of the upper."""
        return None if self.upper is None else OcclusalSurface.of(self.upper)

    @cached_property
    def lower_occlusal(self) -> OcclusalSurface | None:
        """Occlusal surface of the lower, at the scanned pose."""
        return None if self.lower is None else OcclusalSurface.of(self.lower)

    @cached_property
    def lower_tree(self) -> cKDTree | None:
        """Vertices of the lower at the scanned pose, for nearest-neighbour questions."""
        return None if self.lower is None else cKDTree(self.lower.vertices_mm)

    def with_case(self, case: Case) -> PlacedCase:
        """Place a changed case, reusing what the change leaves alone.

        Where casts, landmarks, mounting and true axis stay, only the arbitrary axis, the poses
        and the decision are taken anew (milliseconds); a changed placement reuses the read casts;
        changed files are read again.

        Raises
        ------
        InputError
            As :func:`place`.
        """
        reread = case.casts != self.case.casts or case.folder != self.case.folder
        if reread or _records(case) != _records(self.case):
            return place(case)
        same = ("mounting", "true_axis", "landmarks")
        if any(getattr(case, name) != getattr(self.case, name) for name in same):
            return place(case, scans=self.scans)
        found = self.mounting
        if (case.arbitrary_axis, case.marks) != (self.case.arbitrary_axis, self.case.marks):
            found = mount(case, _averaging_landmarks(case, self.scans), self.located)
            if not _alike(self.mounting, found):
                return place(case, scans=self.scans)
            _refuse(axes_in_casts(self.clearances, _axes(found)))
        others = self.findings[len(case_findings(self.case)) :]
        placed = replace(self, case=case, mounting=found, findings=(*case_findings(case), *others))
        for name in PREPARED:
            if name in self.__dict__:
                placed.__dict__[name] = self.__dict__[name]
        return placed


def place(case: Case, *, strict: bool = True, scans: Scans | None = None) -> PlacedCase:
    """Read a case's casts, mount them and collect the landmarks.

    Parameters
    ----------
    case : Case
    strict : bool
        Whether casts that do not go together (swapped, or an axis through them) end the work;
        ``inspect`` goes on and lists it. A mesh that cannot be used always does.
    scans : Scans, optional
        Casts that were read already.

    Raises
    ------
    InputError
        The case or a mesh cannot be used.
    """
    scans = scans or load_casts(case)
    _refuse(scans.findings)
    located = locate(case, scans.lower)
    mounting = mount(case, _averaging_landmarks(case, scans), located)
    findings = [*case_findings(case), *scans.findings, *mounting.findings]
    from_upper = mounting.axis_orbital_from_upper_scan
    from_lower = from_upper * lower_to_upper(case)
    upper = None if scans.upper is None else scans.upper.moved(from_upper)
    lower = None if scans.lower is None else scans.lower.moved(from_lower)
    clearances: tuple[CastClearance, ...] = ()
    if upper is not None and lower is not None:
        findings += check_pair(upper, lower, UP)
        clearances = CastClearance(upper), CastClearance(lower)
        findings += axes_in_casts(clearances, _axes(mounting))
    if strict:
        _refuse(findings)
    marks, more = landmarks_for(case, lower, from_lower)
    return PlacedCase(
        case=case,
        scans=scans,
        upper=upper,
        lower=lower,
        mounting=mounting,
        landmarks=marks,
        contacts=CastContacts(upper, lower),
        findings=(*findings, *more),
        located=located,
        clearances=clearances,
    )


def _averaging_landmarks(case: Case, scans: Scans) -> list[tuple[str, int, NDArray[np.float64]]]:
    """Landmarks that the ``average`` mounting needs, found on labelled casts in their own frame."""
    if case.mounting is None or case.mounting.method != "average":
        return []
    if scans.upper is None or scans.lower is None:
        return []
    lower_to = lower_to_upper(case)
    up = scans.upper.vertices_mm.mean(axis=0) - lower_to.apply(scans.lower.vertices_mm.mean(axis=0))
    return automatic_landmarks(scans.lower, lower_to.rotation.inv().apply(up))


def _records(case: Case) -> list[GuidanceRecord]:
    return [] if case.articulator is None else case.articulator.records


def _refuse(findings: Sequence[Finding]) -> None:
    """Raise the first error; a warning about the unit goes with it, as the likely cause."""
    for finding in findings:
        if finding.level == "error":
            units = [f"{f.message}. {f.fix}" for f in findings if f.where.endswith("unit")]
            told = finding.where.endswith("unit")
            fix = " ".join([finding.fix, *units[: 0 if told else 1]])
            raise InputError(finding.where, finding.message, "inputs without this", fix)


def _alike(one: Mounting, other: Mounting) -> bool:
    """Whether two mountings put the casts and the true axis in the same place."""
    return all(
        np.array_equal(a, b)
        for a, b in (
            (
                one.axis_orbital_from_upper_scan.as_matrix(),
                other.axis_orbital_from_upper_scan.as_matrix(),
            ),
            (one.true_axis.points_mm, other.true_axis.points_mm),
        )
    )


def _axes(mounting: Mounting) -> tuple[tuple[str, HingeAxis], ...]:
    return ("true_axis", mounting.true_axis), ("arbitrary_axis", mounting.arbitrary_axis)
