"""The case's table for a located axis: scans, poses or tracks to an axis in ``upper_scan``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding, InputError
from kinematics.case.fields import as_rigid
from kinematics.case.mounting_tables import AxisLocation
from kinematics.casts.cast import Cast
from kinematics.casts.registration import RegistrationResult, scan_pose
from kinematics.mounting.locating.from_poses import axis_from_poses
from kinematics.mounting.locating.from_tracks import TrackedAxis, axis_from_tracked_points
from kinematics.mounting.locating.located_axis import LocatedAxis

REFERENCE_POINTS = 200
"""Vertices of the lower at which residual motion is measured (ours)."""
CAUTION = (
    "the axis was located from recordings; it is an aid to planning: verify it on the patient "
    "before treatment depends on it"
)


@dataclass(frozen=True, eq=False)
class CaseAxis:
    """The true axis of a case, in ``upper_scan``.

    Attributes
    ----------
    axis : HingeAxis
    covariance_mm2 : ndarray, shape (6, 6)
        Of (left xyz, right xyz).
    source : LocatedAxis or TrackedAxis
    registrations : dict of str to RegistrationResult
        By the name of the opening.
    findings : tuple of Finding
    """

    axis: HingeAxis
    covariance_mm2: FloatArray
    source: LocatedAxis | TrackedAxis
    registrations: dict[str, RegistrationResult]
    findings: tuple[Finding, ...]


def locate_from_case_table(
    table: AxisLocation,
    resolve: Callable[[str, str], Path],
    lower: Cast | None,
    upper_scan_from_lower_scan: RigidTransform,
    *,
    unit: str = "mm",
) -> CaseAxis:
    """Locate the true axis that a case's table describes.

    Parameters
    ----------
    table : AxisLocation
    resolve : callable
        ``case.path``: file name and field to a path, refusing what leaves the case's folder.
    lower : Cast or None
        In ``lower_scan``; needed for openings given as files.
    upper_scan_from_lower_scan : RigidTransform
        The pose in which the casts were scanned.
    unit : str
        Unit of the meshes named.

    Raises
    ------
    InputError
        See :func:`kinematics.mounting.locating.from_poses.axis_from_poses`,
        :func:`kinematics.mounting.locating.from_tracks.axis_from_tracked_points` and
        :func:`kinematics.casts.registration.register`; a poor registration; no reference points.
    """
    half = (table.left_half_width_mm, table.right_half_width_mm)
    caution = Finding("note", "mounting", CAUTION, "Compare with a second recording.")
    if table.tracks:
        tracked = axis_from_tracked_points(
            [np.array(t.points_mm) for t in table.tracks],
            left=table.left,
            noise_mm=table.tracking_sd_mm,
            half_widths_mm=half,
        )
        findings = (*tracked.findings, caution)
        return CaseAxis(tracked.axis, tracked.covariance_mm2, tracked, {}, findings)
    names = [o.name or o.file or f"opening {i + 1}" for i, o in enumerate(table.openings)]
    poses, registrations, found = opening_poses(table, names, resolve, lower, unit)
    nominal = [o.opening_deg for o in table.openings]
    weights = [o.weight for o in table.openings]
    if table.include_scanned_pose:
        poses.insert(0, upper_scan_from_lower_scan)
        names.insert(0, "the scanned pose")
        nominal.insert(0, 0.0)
        weights.insert(0, 1.0)
    points = reference_points(table, lower)
    noise: float | FloatArray | None = table.registration_rms_mm
    if noise is None and len(registrations) == len(table.openings):
        noise = registration_noise(table, registrations, points)
        message = "the registration error is taken from the residuals of independent points"
        fix = "A stitched scan also bends: state registration_rms_mm where it is known."
        found.append(Finding("warning", "mounting.registration_rms_mm", message, fix))
    located = axis_from_poses(
        RigidTransform.from_matrix(np.array([p.as_matrix() for p in poses])),
        points,
        left=table.left,
        noise=noise,
        weights=weights,
        half_widths_mm=half,
        nominal_openings_deg=None if None in nominal else [float(v or 0.0) for v in nominal],
        names=names,
    )
    findings = (*found, *located.findings, caution)
    return CaseAxis(located.axis, located.covariance_mm2, located, registrations, findings)


def opening_poses(
    table: AxisLocation,
    names: list[str],
    resolve: Callable[[str, str], Path],
    lower: Cast | None,
    unit: str,
) -> tuple[list[RigidTransform], dict[str, RegistrationResult], list[Finding]]:
    """Pose of every opening, by registration where a file is named."""
    poses: list[RigidTransform] = []
    registrations: dict[str, RegistrationResult] = {}
    findings: list[Finding] = []
    for i, (opening, name) in enumerate(zip(table.openings, names)):
        if opening.upper_scan_from_lower_scan is not None:
            poses.append(as_rigid(opening.upper_scan_from_lower_scan))
            continue
        result, remarks = scan_pose(
            str(opening.file), f"mounting.openings.{i}.file", lower, resolve, unit=unit, label=name
        )
        poses.append(result.fixed_from_moving)
        registrations[name if name not in registrations else f"{name} ({i + 1})"] = result
        findings += remarks
    return poses, registrations, findings


def registration_noise(
    table: AxisLocation, registrations: dict[str, RegistrationResult], points: FloatArray
) -> FloatArray:
    """Covariance of each pose; the scanned pose is trusted like the average registration."""
    middle = points.mean(axis=0)
    each = [r.covariance_at(r.fixed_from_moving.apply(middle)) for r in registrations.values()]
    if table.include_scanned_pose:
        each.insert(0, np.mean(each, axis=0))
    return np.array(each)


def reference_points(table: AxisLocation, lower: Cast | None) -> FloatArray:
    """Points of the lower, given or taken from the cast, shape (k, 3)."""
    if table.reference_points_mm is not None:
        return np.array(table.reference_points_mm)
    if lower is None:
        need = "3 or more points of the lower arch"
        fix = "Add the incisal point and two molars in lower_scan."
        raise InputError("mounting.reference_points_mm", "nothing, and no lower cast", need, fix)
    used = lower.vertices_mm[np.unique(lower.faces)]
    return used[:: max(1, len(used) // REFERENCE_POINTS)]
