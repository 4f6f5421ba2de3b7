"""Look at a case's inputs before assessing it: meshes, pair, mounting, poses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.base.errors import Finding, InputError
from kinematics.base.to_json import form
from kinematics.case.read import Case
from kinematics.case.remarks import findings as case_findings
from kinematics.case.remarks import untouched
from kinematics.casts.health import MeshHealth
from kinematics.closure.close import open_as_scanned
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.closure.scans import load_casts
from kinematics.excursions.results import CaseGuidance
from kinematics.excursions.settings import case_guidance
from kinematics.mounting.mount import Mounting
from kinematics.uncertainty.inputs import population_of


@dataclass(frozen=True, eq=False)
class Inspection:
    """What ``hingewise inspect`` reports.

    Attributes
    ----------
    label : str
    health : mapping of arch to MeshHealth
    mounting : Mounting or None
        None where it failed (the reason is among the findings).
    overlap_mm, clearing_opening_deg : float or None
        Depth to which the casts interpenetrate as scanned, and the opening about the true axis
        that parts them; None without casts, 0 where they are apart.
    landmarks : tuple of str
    findings : tuple of Finding
        Errors would stop ``assess``.
    guidance : CaseGuidance or None
        What the case's guidance records tell about either axis; None without records.
    """

    label: str
    health: Mapping[str, MeshHealth]
    mounting: Mounting | None = None
    overlap_mm: float | None = None
    clearing_opening_deg: float | None = None
    landmarks: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    guidance: CaseGuidance | None = None

    def json_form(self) -> dict[str, Any]:
        """The inspection as ``hingewise inspect --json`` prints it."""
        mounting = self.mounting and {
            "method": self.mounting.method,
            "rms_mm": self.mounting.rms_mm,
            "residuals": [
                {"name": name, "residual_mm": mm} for name, mm in self.mounting.residuals
            ],
        }
        return {
            "schema": "hingewise-inspection/1",
            **form(self, meshes="health", records="guidance"),
            "mounting": mounting,
        }


def inspect_case(case: Case) -> Inspection:
    """Check a case as far as it goes; what would stop ``assess`` becomes an error finding.

    Parameters
    ----------
    case : Case
    """
    own = [*unusable_population(case), *untouched(case)]
    told = (*case_findings(case), *own)
    try:
        scans = load_casts(case)
    except InputError as error:
        return Inspection(case.label, {}, findings=(*told, as_finding(error)))
    known = (*told, *scans.findings)
    if any(finding.level == "error" for finding in scans.findings):
        return Inspection(case.label, scans.health, findings=known)
    try:
        placed = place(case, strict=False, scans=scans)
    except InputError as error:
        return Inspection(case.label, scans.health, findings=(*known, as_finding(error)))
    findings = [*placed.findings, *own, *open_as_scanned(placed)]
    overlap: float | None = None
    clearing: float | None = None
    if placed.upper is not None:
        depth = placed.contacts.overlap(RigidTransform.identity(), placed.true_axis)
        overlap, clearing = depth.depth_mm, depth.clearing_opening_deg
    if overlap:
        got = f"as scanned, the casts interpenetrate by about {overlap:.2f} mm and part after "
        got += f"opening {clearing:.3f} degrees about the true axis"
        fix = "0.05 to 0.5 mm is usual for scans stored in occlusion; more: check the bite "
        fix += "registration."
        findings.append(Finding("note", "casts", got, fix))
    guidance = None
    try:
        geometry = geometry_of(placed)
        if geometry.recorded:
            guidance = case_guidance(geometry)
            findings += guidance.patient.findings
    except InputError as error:
        findings.append(as_finding(error))
    found = placed.landmarks.names, tuple(findings), guidance
    return Inspection(case.label, placed.scans.health, placed.mounting, overlap, clearing, *found)


def unusable_population(case: Case) -> list[Finding]:
    """The error of an ``[uncertainty]`` whose study is unknown or whose file cannot be used."""
    try:
        if case.uncertainty is not None:
            population_of(case, case.uncertainty, np.zeros(4))
    except InputError as error:
        return [as_finding(error)]
    return []


def as_finding(error: InputError) -> Finding:
    """What would stop ``assess``, as a remark."""
    where = f"{error.file}: {error.where}" if error.file else error.where
    return Finding("error", where, f"got {error.got}, need {error.allowed}", error.fix)
