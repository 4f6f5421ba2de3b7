"""The mounting methods: each turns its table into a pose on the axis that it measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import RigidTransform
from scipy.stats import chi2

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import Finding, InputError
from kinematics.case import mounting_tables as tables
from kinematics.case.fields import as_rigid
from kinematics.case.model import Case
from kinematics.mounting import frames
from kinematics.mounting.distances import fit_distances
from kinematics.mounting.locating.locate import CaseAxis
from kinematics.mounting.marks import axes_from_marks
from kinematics.mounting.rigid_fit import fit_rigid

LowerPoint = tuple[str, int, FloatArray]
"""A landmark as (name, ISO 3950 tooth or 0, point in ``lower_scan``, mm)."""


@dataclass(frozen=True, eq=False)
class Pose:
    """A method's own result: the pose on the axis it measured, before the other axis is placed.

    ``gains`` holds for each reading (or fact) what one standard uncertainty of it does, shape
    (6, k) for k independent coordinates: motion of the frame. With 9 rows the change of the
    measured axis' width and of the third point's x and y follow, on which the step from an
    arbitrary to the true axis depends.
    """

    frame_from_upper_scan: RigidTransform
    width_mm: float
    residuals: tuple[tuple[str, float], ...] = ()
    covariance: FloatArray | None = None
    findings: tuple[Finding, ...] = ()
    on_arbitrary: bool = False
    gains: tuple[tuple[str, FloatArray], ...] = ()
    third_point_mm: tuple[float, float] = (frames.THIRD_POINT_REACH_MM, 0.0)
    true_axis_covariance_mm2: FloatArray | None = None


def lower_to_upper(case: Case) -> RigidTransform:
    """``upper_scan_from_lower_scan`` of a case; the identity without casts."""
    if case.casts is None:
        return RigidTransform.identity()
    return as_rigid(case.casts.upper_scan_from_lower_scan)


def given_width(case: Case) -> float:
    """Width of the true axis (mm) from ``true_axis`` or ``marks``."""
    if case.marks is not None:
        return case.marks.facial_width_mm
    if case.true_axis is None:
        where = "true_axis"
        raise InputError(where, "nothing", "the distance of the true axis points", "Add width_mm.")
    return case.true_axis.width_mm


def by_matrix(table: tables.MatrixMounting, width: float) -> Pose:
    """A ready 4x4; covariance only from stated standard deviations."""
    covariance = None
    if table.rotation_sd_deg is not None or table.translation_sd_mm is not None:
        turn = np.radians(table.rotation_sd_deg or 0.0)
        sd = np.repeat([turn, table.translation_sd_mm or 0.0], 3)
        covariance = np.diag(sd**2)
    return Pose(as_rigid(table.axis_orbital_from_upper_scan), width, covariance=covariance)


def by_fiducials(table: tables.FiducialsMounting, width: float) -> Pose:
    """Rigid fit of paired points, with the point at fault or of too much leverage named."""
    where = "mounting.fiducials"
    a = [f.upper_scan_mm for f in table.fiducials]
    fit = fit_rigid(a, [f.axis_orbital_mm for f in table.fiducials], where, table.sd_mm)
    misses = np.linalg.norm(fit.residual_mm, axis=1)
    names = [f.name for f in table.fiducials]
    findings = []
    if fit.fault is not None:
        got = f"{names[fit.fault]!r} is off by {misses[fit.fault]:.2f} mm and does not agree "
        got += "with the others"
        fix = "Measure it again first, or leave it out."
        findings.append(Finding("warning", f"{where}.{fit.fault}", got, fix))
    high = int(np.argmax(fit.leverage))
    if fit.leverage[high] > 0.95:
        got = f"the pose leans on {names[high]!r} alone in one direction (leverage "
        got += f"{fit.leverage[high]:.2f}); an error there would not show"
        findings.append(Finding("note", f"{where}.{high}", got, "Add a point on its side."))
    if table.sd_mm is not None:
        chance = chi2.sf(np.sum(fit.residual_mm**2) / table.sd_mm**2, 3 * len(names) - 6)
        if chance < 0.01:
            got = f"the residuals ({np.sqrt(fit.variance_mm2):.2f} mm a coordinate) are larger "
            got += f"than sd_mm = {table.sd_mm:g}"
            fix = "Check the points; the covariance uses sd_mm and is too small."
            findings.append(Finding("warning", "mounting.sd_mm", got, fix))
    residuals = tuple(zip(names, misses.tolist(), strict=True))
    gains = tuple(zip(names, fit.gain, strict=True))
    return Pose(fit.b_from_a, width, residuals, fit.covariance, tuple(findings), gains=gains)


def by_average(
    table: tables.AverageMounting, width: float, case: Case, named: list[LowerPoint]
) -> Pose:
    """Bonwill triangle and Balkwill angle on three points of the lower."""
    given: tuple = (table.incisal_point_mm, table.left_molar_point_mm, table.right_molar_point_mm)
    if given[0] is None:
        given = incisal_point(named), molar_point(named, 37, 36), molar_point(named, 47, 46)
    points = lower_to_upper(case).apply(np.array(given, dtype=np.float64))
    arm, base = table.bonwill_arm_mm, table.bonwill_base_mm

    def build(v: FloatArray) -> RigidTransform:
        angles = {"balkwill_deg": v[1], "occlusal_to_axis_orbital_deg": v[2]}
        return frames.bonwill_frame(*points, arm_mm=v[0], base_mm=base, **angles)

    values = np.array([arm, table.balkwill_deg, table.occlusal_to_axis_orbital_deg])
    sds = np.array([frames.BONWILL_ARM_SD_MM, frames.BALKWILL_SD_DEG, frames.OCCLUSAL_PLANE_SD_DEG])
    height = np.sqrt(arm**2 - base**2 / 4.0) * np.sin(np.radians(table.balkwill_deg))
    got = f"average values, not this patient: Bonwill arm {arm:g} mm on a base of {base:g} mm, "
    got += f"Balkwill angle {table.balkwill_deg:g} deg; the axis stands {height:.1f} mm above the "
    got += "occlusal plane (published mean 34.3, 21.0 to 47.2; CBCT, n = 120)"
    fix = "Measure the patient where the answer depends on it."
    note = Finding("warning", "mounting.method", got, fix)
    gain = frames.propagated(build, values, sds)
    names = ("Bonwill arm", "Balkwill angle", "occlusal plane to axis-orbital plane")
    gains = tuple((n, g[:, None]) for n, g in zip(names, gain.T, strict=True))
    return Pose(build(values), width, (), gain @ gain.T, (note,), gains=gains)


def incisal_point(named: list[LowerPoint]) -> FloatArray:
    """The incisal point among named landmarks."""
    for name, _, point in named:
        if name.lower() == "incisal point":
            return point
    edges = {t: p for _, t, p in named if t in (31, 41)}
    if edges:
        return np.mean(list(edges.values()), axis=0)
    raise no_landmark("an incisal point (tooth 31 or 41)")


def molar_point(named: list[LowerPoint], *teeth: int) -> FloatArray:
    """The distobuccal cusp of the first of these teeth that has landmarks, else their mean."""
    for tooth in teeth:
        own = [(name, p) for name, t, p in named if t == tooth]
        for name, point in own:
            if "distobuccal" in name.lower():
                return point
        if own:
            return np.mean([p for _, p in own], axis=0)
    raise no_landmark(f"a cusp of tooth {' or '.join(map(str, teeth))}")


def no_landmark(what: str) -> InputError:
    """The error of a landmark that is missing."""
    where = "mounting"
    fix = "Add [[landmarks]], or incisal_point_mm, left_molar_point_mm and right_molar_point_mm."
    return InputError(where, f"no landmark for {what}", "incisal point and both lower molars", fix)


def by_axis_points(table: tables.AxisPointsMounting) -> Pose:
    """Axis points and third reference point seen in ``upper_scan``."""

    def build(v: FloatArray) -> RigidTransform:
        return axis_orbital_from_points(HingeAxis(v[:3], v[3:6]), v[6:])

    third = np.array(table.third_point_mm)
    values = np.concatenate([table.left_point_mm, table.right_point_mm, third])
    axis, frame = HingeAxis(values[:3], values[3:6]), build(values)
    at = frame.apply(third)
    covariance: FloatArray | None = None
    gains: tuple[tuple[str, FloatArray], ...] = ()
    if table.sd_mm is not None:
        gain = frames.propagated(build, values, np.full(9, table.sd_mm))
        covariance = gain @ gain.T
        width_gain = np.concatenate([axis.direction, -axis.direction, np.zeros(3)]) * table.sd_mm
        # The third point as read, plus how the frame that it is seen in moves with each reading.
        third_gain = gain[3:5] + np.cross(gain[:3].T, at).T[:2]
        third_gain[:, 6:] += table.sd_mm * frame.rotation.as_matrix()[:2]
        every = np.vstack([gain, width_gain, third_gain])
        names = ("left axis point", "right axis point", "third point")
        gains = tuple((n, every[:, 3 * i : 3 * i + 3]) for i, n in enumerate(names))
    return Pose(
        frame,
        axis.width_mm,
        covariance=covariance,
        on_arbitrary=table.axis == "arbitrary",
        gains=gains,
        third_point_mm=(float(at[0]), float(at[1])),
    )


def by_located_axis(table: tables.LocatedAxisMounting, located: CaseAxis) -> Pose:
    """An axis located from recordings, and a third reference point, in ``upper_scan``."""
    frame = axis_orbital_from_points(located.axis, table.third_point_mm)
    at = frame.apply(table.third_point_mm)
    _, covariance = located.source.moved(frame)
    across = [0, 2, 3, 5]
    marginal = covariance[np.ix_(across, across)]
    return Pose(
        frame,
        located.axis.width_mm,
        findings=located.findings,
        third_point_mm=(float(at[0]), float(at[1])),
        true_axis_covariance_mm2=frozen(0.5 * (marginal + marginal.T)),
    )


def by_distances(table: tables.DistancesMounting, case: Case) -> Pose:
    """Caliper readings."""
    width = None if case.true_axis is None and case.marks is None else given_width(case)
    if table.axis == "arbitrary" and width is not None:
        width = float(np.sqrt(width**2 + offset_gap(case) ** 2))
    fit = fit_distances(table, width)
    return Pose(
        fit.frame_from_upper_scan,
        fit.width_mm,
        tuple(zip(fit.titles, fit.residual_mm.tolist(), strict=True)),
        fit.covariance,
        fit.findings,
        table.axis == "arbitrary",
        tuple((n, g[:, None]) for n, g in zip(fit.titles, fit.gain.T, strict=True)),
        fit.third_point_mm,
    )


def axes_of(case: Case, width: float) -> tuple[HingeAxis, HingeAxis]:
    """True and arbitrary axis, the latter by offsets or marks."""
    if case.marks is not None:
        return axes_from_marks(case.marks)
    half = np.array([0.0, width / 2.0, 0.0])
    true = HingeAxis(half, -half)
    given = case.arbitrary_axis
    if given is None:
        raise InputError("arbitrary_axis", "nothing", "four offsets", "Add [arbitrary_axis].")
    return true, true.shifted(
        left_anterior_mm=given.left_anterior_mm or 0.0,
        left_superior_mm=given.left_superior_mm or 0.0,
        right_anterior_mm=given.right_anterior_mm or 0.0,
        right_superior_mm=given.right_superior_mm or 0.0,
    )


def offset_gap(case: Case) -> float:
    """How far the two offsets differ, mm: it lengthens the arbitrary axis."""
    _, arbitrary = axes_of(case, 100.0)
    return float(np.linalg.norm((arbitrary.left_point_mm - arbitrary.right_point_mm)[[0, 2]]))
