"""Mounting: from the case's measurements to the pose of the casts against the true axis."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding, InputError
from kinematics.base.teeth import tooth_side
from kinematics.case import mounting_tables
from kinematics.case.model import Case
from kinematics.casts.cast import Cast
from kinematics.mounting import methods
from kinematics.mounting.frames import axis_orbital_from_articulator, cast_shift_mm, small_motion
from kinematics.mounting.locating.locate import CaseAxis, locate_from_case_table
from kinematics.mounting.rigid_fit import motion_jacobian

NamedPoint = tuple[str, int, ArrayLike]
"""A landmark as (name, ISO 3950 tooth or 0, point in ``lower_scan``, mm)."""
STEP_MM = 1e-3
"""Step of the central differences of how the axes' step depends on what was read (ours)."""


@dataclass(frozen=True, eq=False)
class Mounting:
    """Where the casts stand against the true axis, and how sure that is.

    Attributes
    ----------
    axis_orbital_from_upper_scan : RigidTransform
    method : str
        The case's ``mounting.method``, or ``given`` for landmarks already in ``axis_orbital``.
    residuals : tuple of (name, mm)
        What each point or reading misses the pose by; empty where nothing is redundant.
    rms_mm : float
        Root mean square of the residuals; 0 without any.
    covariance : ndarray, shape (6, 6), or None
        Of the small motion d = (r in rad, t in mm) in ``axis_orbital`` that carries a point from
        its estimated to its true place: ``p -> Rotation.from_rotvec(r).apply(p) + t``. None:
        nothing is known about it.
    true_axis, arbitrary_axis : HingeAxis
        In ``axis_orbital``.
    findings : tuple of Finding
    influences : tuple of (name, mm), largest first
        Root mean square shift of incisors and molars against the axis that one standard deviation
        of each point or reading makes; the first is the one to repeat first. Empty without
        stated or estimated standard deviations.
    true_axis_covariance_mm2 : ndarray, shape (4, 4), or None
        Of the true axis's points where the mounting located it: left anterior, left superior,
        right anterior, right superior. None: the case's ``true_axis_sd_mm`` stands.
    """

    axis_orbital_from_upper_scan: RigidTransform
    method: str
    residuals: tuple[tuple[str, float], ...]
    rms_mm: float
    covariance: FloatArray | None
    true_axis: HingeAxis
    arbitrary_axis: HingeAxis
    findings: tuple[Finding, ...]
    influences: tuple[tuple[str, float], ...] = ()
    true_axis_covariance_mm2: FloatArray | None = None

    def point_sd_mm(self, points_mm: ArrayLike) -> FloatArray:
        """Standard uncertainty of points in ``axis_orbital`` by direction, shape (n, 3), mm.

        Zero without covariance.
        """
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        if self.covariance is None:
            return np.zeros_like(points)
        j = motion_jacobian(points)
        return np.sqrt(np.einsum("nij,jk,nik->ni", j, self.covariance, j))


def locate(case: Case, lower: Cast | None) -> CaseAxis | None:
    """Locate the true axis from a case's recordings (seconds); None with another mounting.

    Parameters
    ----------
    case : Case
    lower : Cast or None
        In ``lower_scan``.
    """
    if not isinstance(case.mounting, mounting_tables.LocatedAxisMounting):
        return None
    unit = "mm" if case.casts is None else case.casts.unit
    return locate_from_case_table(
        case.mounting, case.path, lower, methods.lower_to_upper(case), unit=unit
    )


def mount(
    case: Case, landmarks: Iterable[NamedPoint] | None = None, located: CaseAxis | None = None
) -> Mounting:
    """Mount the casts of a case.

    Parameters
    ----------
    case : Case
    landmarks : iterable of (name, tooth, point in lower_scan), optional
        Landmarks found on the casts; used by ``average`` besides the case's own.
    located : CaseAxis, optional
        From :func:`locate`; found here (without a lower cast) where ``located_axis`` lacks it.

    Returns
    -------
    Mounting
        Both axes in ``axis_orbital``; the true one symmetric about the origin.

    Raises
    ------
    InputError
        Measurements that do not fix the pose, contradict each other or swap left and right.

    Notes
    -----
    *Guarantee*: deterministic; never a reflection. *Source*: each method names its own.
    """
    named = [(m.name, m.tooth or 0, np.array(m.point_mm)) for m in case.landmarks]
    named += [(n, t, np.asarray(p, dtype=np.float64)) for n, t, p in (landmarks or [])]
    table = case.mounting
    if table is None:
        pose = methods.Pose(RigidTransform.identity(), methods.given_width(case))
    elif isinstance(table, mounting_tables.MatrixMounting):
        pose = methods.by_matrix(table, methods.given_width(case))
    elif isinstance(table, mounting_tables.FiducialsMounting):
        pose = methods.by_fiducials(table, methods.given_width(case))
    elif isinstance(table, mounting_tables.AverageMounting):
        pose = methods.by_average(table, methods.given_width(case), case, named)
    elif isinstance(table, mounting_tables.AxisPointsMounting):
        pose = methods.by_axis_points(table)
    elif isinstance(table, mounting_tables.LocatedAxisMounting):
        found = located or locate(case, None)
        assert found is not None
        pose = methods.by_located_axis(table, found)
    else:
        pose = methods.by_distances(table, case)
    upper_from_lower = methods.lower_to_upper(case)
    return placed(case, pose, "given" if table is None else table.method, named, upper_from_lower)


def placed(
    case: Case,
    pose: methods.Pose,
    method: str,
    named: list[methods.LowerPoint],
    upper_from_lower: RigidTransform,
) -> Mounting:
    """Put both axes into ``axis_orbital`` and check that the teeth are where teeth are."""
    width, frame, covariance = pose.width_mm, pose.frame_from_upper_scan, pose.covariance
    moves = [(name, gain[:6]) for name, gain in pose.gains]
    if pose.on_arbitrary:
        width = float(np.sqrt(width**2 - methods.offset_gap(case) ** 2))
        true, arbitrary = methods.axes_of(case, width)
        step = axis_orbital_from_articulator(arbitrary, pose.third_point_mm)
        frame = step * frame
        if covariance is not None:
            adjoint = adjoint_of(step)
            covariance = adjoint @ covariance @ adjoint.T
        whole = np.hstack([adjoint_of(step), step_gain(case, pose, step)])
        moves = [(name, whole[:, : len(gain)] @ gain) for name, gain in pose.gains]
        if moves:
            covariance = np.asarray(sum(move @ move.T for _, move in moves))
    elif case.arbitrary_axis is not None and not case.arbitrary_axis.by_offsets:
        true = HingeAxis(np.array([0.0, width / 2, 0.0]), np.array([0.0, -width / 2, 0.0]))
        table = case.arbitrary_axis
        arbitrary = HingeAxis(table.left_point_mm, table.right_point_mm)  # type: ignore[arg-type]
        if table.frame == "upper_scan":
            arbitrary = arbitrary.transformed(frame)
    else:
        true, arbitrary = methods.axes_of(case, width)
    if arbitrary.direction[1] <= 0.0:
        need = "the left point at larger y (left) than the right point"
        fix = "Swap left_point_mm and right_point_mm, or check the frame."
        raise InputError("arbitrary_axis", "a left point on the patient's right", need, fix)
    teeth = [(n, t, (frame * upper_from_lower).apply(p)) for n, t, p in named]
    misses = np.array([mm for _, mm in pose.residuals])
    return Mounting(
        axis_orbital_from_upper_scan=frame,
        method=method,
        residuals=pose.residuals,
        rms_mm=float(np.sqrt(np.mean(misses**2))) if len(misses) else 0.0,
        covariance=None if covariance is None else frozen(0.5 * (covariance + covariance.T)),
        true_axis=true,
        arbitrary_axis=arbitrary,
        findings=(*pose.findings, *check_teeth(teeth)),
        influences=tuple(
            sorted(((n, cast_shift_mm(m)) for n, m in moves), key=lambda item: -item[1])
        ),
        true_axis_covariance_mm2=pose.true_axis_covariance_mm2,
    )


def adjoint_of(step: RigidTransform) -> FloatArray:
    """A small motion d seen from another frame, ``step d step^-1``, as a matrix (6, 6)."""
    turn, shift = step.rotation.as_matrix(), step.translation
    cross = np.cross(shift, np.eye(3)).T
    return np.block([[turn, np.zeros((3, 3))], [cross @ turn, turn]])


def step_gain(case: Case, pose: methods.Pose, step: RigidTransform) -> FloatArray:
    """Small motion of the step from the arbitrary to the true axis, shape (6, 3), by one mm more.

    Columns: width of the measured axis, third point's x, its y. *Source*: central differences.
    """
    gap = methods.offset_gap(case)
    values = np.array([pose.width_mm, *pose.third_point_mm])

    def moved(change: FloatArray) -> FloatArray:
        width, x, y = (values + change).tolist()
        _, arbitrary = methods.axes_of(case, float(np.sqrt(width**2 - gap**2)))
        return small_motion(axis_orbital_from_articulator(arbitrary, (x, y)), step)

    columns = [moved(change) - moved(-change) for change in STEP_MM * np.eye(3)]
    return np.column_stack(columns) / (2.0 * STEP_MM)


def check_teeth(points: list[methods.LowerPoint]) -> list[Finding]:
    """Remark on landmarks that a mounting puts where no teeth are.

    Parameters
    ----------
    points : list of (name, ISO 3950 tooth or 0, point in axis_orbital)

    Returns
    -------
    list of Finding
        Level ``error`` for teeth behind or above the axis, and for swapped sides.
    """
    out = []
    for name, _, p in points:
        if p[0] < 10.0 or p[2] > 5.0:
            place = "behind" if p[0] < 10.0 else "above"
            got = f"lies {place} the axis-orbital frame's teeth: {np.round(p, 1).tolist()} mm "
            got += "(anterior, left, superior)"
            fix = "Check the mounting's points, their frame and their unit."
            out.append(Finding("error", f"landmark {name!r}", got, fix))
            break
    sided = [(name, tooth_side(t), p[1]) for name, t, p in points if t]
    wrong = [name for name, side, y in sided if side * y < -8.0]
    if wrong:
        fix = "Check this point and its tooth number."
        if len(wrong) == len([y for _, _, y in sided if abs(y) > 8.0]):
            fix = "Left and right are swapped in the mounting or in the tooth numbers."
        where, got = f"landmark {wrong[0]!r}", "lies on the wrong side of the midline"
        out.append(Finding("error", where, got, fix))
    return out
