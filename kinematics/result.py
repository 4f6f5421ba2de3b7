"""The machine-readable result: numbers from which another program can recompute the answer."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.assessment import Assessment
from kinematics.base.axis import HingeAxis
from kinematics.base.versions import versions
from kinematics.base.words import CAUTIONS
from kinematics.closure.tooth_contact import ContactReport
from kinematics.uncertainty.risk import risk_dict

SCHEMA = "hingewise-result/1"
"""Name and version of the layout of result.json."""


PACKAGES = ("hingewise", "numpy", "scipy", "trimesh", "numba", "pyvista")
"""Packages that the numbers and the pictures depend on."""


def number(value: float) -> float | None:
    """A JSON number, or None for what JSON cannot hold (NaN, infinity)."""
    value = float(value)
    return value if math.isfinite(value) else None


def numbers(values: NDArray[Any]) -> Any:
    """Nested lists of JSON numbers."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0:
        return number(float(array))
    return [numbers(part) for part in array]


def _axis(axis: HingeAxis) -> dict[str, Any]:
    return {
        "left_point_mm": numbers(axis.left_point_mm),
        "right_point_mm": numbers(axis.right_point_mm),
    }


def _matrix(motion: RigidTransform) -> Any:
    return numbers(motion.as_matrix())


def _contact(report: ContactReport) -> dict[str, Any]:
    return {
        "status": report.status,
        "angle_deg": number(report.closing_deg),
        "point_mm": numbers(report.point_mm) if report.status == "contact" else None,
        "tooth": report.lower_tooth or None,
        "upper_tooth": report.upper_tooth or None,
        "message": report.message,
    }


def result_dict(assessment: Assessment) -> dict[str, Any]:
    """Return the result as JSON-ready values (schema ``hingewise-result/1``).

    Parameters
    ----------
    assessment : Assessment

    Notes
    -----
    Frame ``axis_orbital``, mm and degrees. ``angles_deg`` count closing positive from the record
    pose. Recompute: rotate ``record_mm`` about each axis by its angle; subtract. A number that
    does not exist (no contact, no finite break-even) is null.
    """
    a = assessment
    marks = a.landmarks
    record = a.landmarks_record_mm
    mouth = a.mouth
    return {
        "schema": SCHEMA,
        "label": a.case.label,
        "frame": {
            "name": "axis_orbital",
            "origin": "midway between the true-axis points",
            "x": "anterior, in the axis-orbital plane",
            "y": "to the patient's left, along the true axis",
            "z": "superior",
            "unit": "mm",
        },
        "true_axis": _axis(a.true_axis),
        "arbitrary_axis": _axis(a.arbitrary_axis),
        "angles_deg": {
            "true": number(a.true_closing_deg),
            **{
                stop: number(a.stops[stop].closing_deg) if stop in a.stops else None
                for stop in ("equal_angle", "pin", "contact")
            },
            "true_contact": number(a.contact_true.closing_deg),
            "counted": "from the record pose, closing positive",
        },
        "departure": {
            "incisors_mm": number(a.departure_mm),
            "angle_deg": number(a.departure_deg),
            "counted": "from the record to the target, opening positive",
        },
        "pin_tip_mm": {
            "record": numbers(a.pin_tip_record_mm),
            "true": numbers(a.geometry.pin_tip_target_mm),
        },
        "landmarks": [
            {
                "name": marks.names[i],
                "tooth": marks.teeth[i] or None,
                "record_mm": numbers(record[i]),
                "true_mm": numbers(marks.points_mm[i]),
                "normal": numbers(marks.normals[i]),
                "articulator_mm": {s: numbers(r.articulator_mm[i]) for s, r in a.stops.items()},
                "error_mm": {s: numbers(r.error_mm[i]) for s, r in a.stops.items()},
                "normal_error_mm": {s: number(r.high_mm[i]) for s, r in a.stops.items()},
            }
            for i in range(len(marks))
        ],
        "teeth_together": None
        if a.contact_pair is None
        else {
            "what": "articulator at its first contact against the patient's own first contact",
            "error_motion": _matrix(a.contact_pair.error_motion),
            "error_mm": numbers(a.contact_pair.error_mm),
            "worst_error_mm": number(a.contact_pair.magnitude_mm.max()),
        },
        "error_motion": {stop: _matrix(result.error_motion) for stop, result in a.stops.items()},
        "unavailable_stops": dict(a.unavailable),
        "first_contact": {
            "true": _contact(a.contact_true),
            "arbitrary": _contact(a.contact_arbitrary),
            "mouth": None
            if mouth is None
            else {
                **_contact(mouth.contact),
                "propped_deg": number(mouth.propped_deg),
                "propped_incisors_mm": number(mouth.propped_incisors_mm),
            },
        },
        "occlusal_map": {
            stop: {
                "vertices": int(high.size),
                "highest_mm": number(high.max()) if high.size else None,
                "most_open_mm": number(high.min()) if high.size else None,
            }
            for stop, high in a.occlusal_high_mm.items()
        },
        "verdict": {
            "stop": a.verdict.stop,
            "basis": a.verdict.basis,
            "tolerance_mm": number(a.verdict.tolerance_mm),
            "within": a.verdict.within,
            "worst_error_mm": number(a.verdict.worst_error_mm),
            "worst_landmark": a.verdict.worst_landmark,
            "worst_tooth": a.verdict.worst_tooth or None,
            "break_even_departure_mm": number(a.verdict.break_even_departure_mm),
            "sentence": a.verdict.sentence,
            "reason": a.verdict.reason,
            "remedies": [
                {
                    "name": r.name,
                    "what": r.what,
                    "departure_mm": number(r.departure_mm),
                    "worst_error_mm": number(r.error_mm),
                    "worst_landmark": r.landmark,
                    "within": r.within,
                    "chance_beyond": None if r.chance is None else number(r.chance),
                }
                for r in a.verdict.ways_out
            ],
        },
        "uncertainty": None
        if a.risk is None
        else {**risk_dict(a.risk), "sentences": list(a.verdict.how_sure)},
        "excursions": None if a.excursions is None else a.excursions.as_dict(),
        "mounting": {
            "method": a.mounting.method,
            "axis_orbital_from_upper_scan": _matrix(a.mounting.axis_orbital_from_upper_scan),
            "residuals": [
                {"name": name, "residual_mm": number(mm)} for name, mm in a.mounting.residuals
            ],
            "rms_mm": number(a.mounting.rms_mm),
            "covariance": None if a.mounting.covariance is None else numbers(a.mounting.covariance),
            "influences": [
                {"reading": name, "moves_mm": number(mm)} for name, mm in a.mounting.influences
            ],
        },
        "transfer": {
            "third_point": None if a.transfer.third_point is None else vars(a.transfer.third_point),
            "side_extension": None
            if a.transfer.side_extension is None
            else vars(a.transfer.side_extension),
            "slip": None if a.transfer.slip is None else vars(a.transfer.slip),
            "landmark_sd_mm": None
            if a.transfer.mounting_sd_mm is None
            else numbers(a.transfer.mounting_sd_mm),
            "repeat_first": a.transfer.repeat_first,
            "sentences": list(a.transfer.sentences),
        },
        "inputs": {
            arch: {
                "file": cast.source,
                "sha256": cast.sha256,
                "unit": a.case.casts.unit if a.case.casts else None,
                "vertices": a.health[arch].n_vertices,
                "faces": a.health[arch].n_faces,
                "watertight": a.health[arch].watertight,
                "holes": a.health[arch].holes,
                "degenerate_faces": a.health[arch].degenerate_faces,
                "duplicate_faces": a.health[arch].duplicate_faces,
                "inverted_faces": a.health[arch].inverted_faces,
                "pieces": a.health[arch].pieces,
            }
            for arch, cast in (("upper", a.upper), ("lower", a.lower_true))
            if cast is not None
        },
        "findings": [
            {"level": f.level, "where": f.where, "message": f.message, "fix": f.fix}
            for f in a.findings
        ],
        "cautions": list(CAUTIONS),
        "versions": versions(PACKAGES),
        "seed": a.case.uncertainty.seed if a.case.uncertainty else None,
    }
