"""A case's scans as read: both casts and the guidance records, in their scan frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from scipy.spatial.transform import RigidTransform

from kinematics.articulator.records import RecordKind
from kinematics.base.errors import Finding
from kinematics.case.fields import as_rigid
from kinematics.case.read import Case
from kinematics.casts.cast import Cast, load_cast
from kinematics.casts.health import MeshHealth, check_cast
from kinematics.casts.health import findings as health_findings
from kinematics.casts.registration import RegistrationResult, scan_pose


@dataclass(frozen=True, eq=False)
class RecordPose:
    """One record of a case, read.

    Attributes
    ----------
    kind : {"protrusive", "left_lateral", "right_lateral"}
    upper_scan_from_lower_scan : RigidTransform
        The lower with the record in place.
    registration : RegistrationResult or None
        Where the record is given as a scan.
    """

    kind: RecordKind
    upper_scan_from_lower_scan: RigidTransform
    registration: RegistrationResult | None = None


def read_records(case: Case, lower: Cast | None) -> tuple[tuple[RecordPose, ...], list[Finding]]:
    """Read a case's guidance records; a scan is registered to the lower (seconds).

    Parameters
    ----------
    case : Case
    lower : Cast or None
        In ``lower_scan``.

    Raises
    ------
    InputError
        As :func:`kinematics.casts.registration.scan_pose`.
    """
    found: list[RecordPose] = []
    remarks: list[Finding] = []
    unit = "mm" if case.casts is None else case.casts.unit
    for i, record in enumerate(case.articulator.records if case.articulator else ()):
        if record.upper_scan_from_lower_scan is not None:
            found.append(RecordPose(record.kind, as_rigid(record.upper_scan_from_lower_scan)))
            continue
        result, more = scan_pose(
            str(record.file),
            f"articulator.records.{i}.file",
            lower,
            case.path,
            unit=unit,
            label=f"articulator.records.{i}.file",
        )
        found.append(RecordPose(record.kind, result.fixed_from_moving, result))
        remarks += more
    return tuple(found), remarks


@dataclass(frozen=True, eq=False)
class Scans:
    """Casts and guidance records as read, in their scan frames, with health and remarks."""

    upper: Cast | None
    lower: Cast | None
    health: dict[str, MeshHealth]
    findings: tuple[Finding, ...]
    records: tuple[RecordPose, ...] = ()


def load_casts(case: Case) -> Scans:
    """Load casts and guidance records of a case in their scan frames, with their health.

    A cast that cannot be used is told by a finding of level "error"; records are then not read.

    Raises
    ------
    InputError
        A file cannot be read, or a record's scan does not fit.
    """
    if case.casts is None:
        return Scans(None, None, {}, ())
    casts: list[Cast] = []
    health: dict[str, MeshHealth] = {}
    findings: list[Finding] = []
    arches: tuple[Literal["upper", "lower"], ...] = ("upper", "lower")
    for arch in arches:
        path = case.cast_path(arch)
        assert path is not None
        cast, notes = load_cast(path, arch, unit=case.casts.unit)
        health[arch] = check_cast(cast)
        findings += health_findings(health[arch]) + notes
        casts.append(cast)
    records: tuple[RecordPose, ...] = ()
    if not any(finding.level == "error" for finding in findings):
        records, remarks = read_records(case, casts[1])
        findings += remarks
    return Scans(casts[0], casts[1], health, tuple(findings), records)
