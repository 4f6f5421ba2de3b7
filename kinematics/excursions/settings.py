"""Guidance settings of a case: what it gives, what its records tell, rule and averages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from scipy.spatial.transform import RigidTransform

from kinematics.articulator.instrument import settings_from_case
from kinematics.articulator.records import RecordedSettings, settings_from_records
from kinematics.case.fields import as_rigid
from kinematics.case.tables import ArticulatorTable
from kinematics.casts.registration import scan_pose

if TYPE_CHECKING:
    from kinematics.base.errors import Finding
    from kinematics.case.read import Case
    from kinematics.casts.cast import Cast
    from kinematics.casts.registration import RegistrationResult

RecordKind = Literal["protrusive", "left_lateral", "right_lateral"]
Motions = Mapping[RecordKind, RigidTransform]
"""Motion of the lower to each recorded position."""
RECORD_LABEL: dict[str, str] = {
    "protrusive": "protrusive",
    "left_lateral": "left lateral",
    "right_lateral": "right lateral",
}


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


@dataclass(frozen=True, eq=False)
class CaseGuidance:
    """Guidance settings of a case.

    Attributes
    ----------
    patient : RecordedSettings
        About the true axis.
    articulator : RecordedSettings or None
        As the case's records set the articulator on the arbitrary axis; None where they do not.
    recorded : mapping of record kind to RigidTransform
        Motion of the lower from the target pose to each record, ``axis_orbital``.
    """

    patient: RecordedSettings
    articulator: RecordedSettings | None
    recorded: Motions

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready: what each record tells about either axis."""
        units = {"true_axis": self.patient, "arbitrary_axis": self.articulator}
        motions = {kind: m.as_matrix().tolist() for kind, m in self.recorded.items()}
        return {"record_from_target": motions} | {
            name: {
                "settings": list(unit.told),
                "guides": [vars(guide).copy() for guide in unit.guides],
                "findings": [vars(finding).copy() for finding in unit.findings],
            }
            for name, unit in units.items()
            if unit is not None
        }


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


def guidance_settings(
    table: ArticulatorTable | None, width_mm: float, motions: Motions
) -> RecordedSettings:
    """The settings of one unit: the case's values, then its records, then rule and averages.

    Parameters
    ----------
    table : ArticulatorTable or None
    width_mm : float
        Between the true-axis points: the elements' distance where none is given.
    motions : mapping of record kind to RigidTransform
        Motion of the lower from where its condylar elements stand at the start to each recorded
        position, frame ``articulator`` of the unit that is set.

    Returns
    -------
    RecordedSettings
        Without ``motions`` the settings alone.

    Raises
    ------
    InputError
        As :func:`kinematics.articulator.records.settings_from_records`.

    Notes
    -----
    *Guarantee*: a value that the case gives is never changed by a record; a Bennett angle by the
    rule follows the inclination that the unit gets.
    """
    given = {} if table is None else table.given()
    rule = table is not None and bool(table.bennett_rule)
    base = settings_from_case(given, width_mm=width_mm)
    told = RecordedSettings(base, (), ())
    if motions:
        told = settings_from_records(
            base,
            protrusive=motions.get("protrusive"),
            left_lateral=motions.get("left_lateral"),
            right_lateral=motions.get("right_lateral"),
            keep=given.keys(),
        )
    known = {**given, **{name: getattr(told.settings, name) for name in told.told}}
    settings = settings_from_case(known, width_mm=width_mm, bennett_rule=rule)
    return RecordedSettings(settings, told.guides, told.findings, told.told)
