"""The machine-readable result: numbers from which another program can recompute the answer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kinematics.assessment import Assessment
from kinematics.base.arrays import FloatArray
from kinematics.base.to_json import form, to_json
from kinematics.base.versions import versions
from kinematics.base.words import CAUTIONS
from kinematics.casts.cast import Cast
from kinematics.casts.health import MeshHealth
from kinematics.closure.stops import STOPS
from kinematics.mounting.mount import Mounting

SCHEMA = "hingewise-result/2"
"""Name and version of the layout of result.json."""
RESULT_SCHEMA = Path(__file__).with_name("result.schema.json")
"""That layout as a JSON schema; a test holds what is written to it."""
PACKAGES = ("hingewise", "numpy", "scipy", "trimesh", "numba", "pyvista")
"""Packages that the numbers and the pictures depend on."""
FRAME = {
    "name": "axis_orbital",
    "origin": "midway between the true-axis points",
    "x": "anterior, in the axis-orbital plane",
    "y": "to the patient's left, along the true axis",
    "z": "superior",
    "unit": "mm",
}
"""The frame of every point."""


def result_dict(assessment: Assessment) -> dict[str, Any]:
    """Return the result as JSON-ready values (schema ``hingewise-result/2``).

    Parameters
    ----------
    assessment : Assessment

    Notes
    -----
    Frame ``axis_orbital``, mm and degrees. ``angles_deg`` count closing positive from the record
    pose. Recompute: rotate ``record_mm`` about each axis by its stop's angles; subtract. A number
    that does not exist (no contact, no closure within hinge range that is too large) is null.
    """
    a = assessment
    risk = a.risk and a.decision and a.risk.json_form() | {"sentences": a.decision.how_sure}
    told: dict[str, Any] = to_json(
        {
            "schema": SCHEMA,
            "label": a.case.label,
            "frame": FRAME,
            "true_axis": a.true_axis,
            "arbitrary_axis": a.arbitrary_axis,
            "angles_deg": {
                "true": {stop: result.true_closing_deg for stop, result in a.stops.items()},
                **{stop: a.stops[stop].closing_deg if stop in a.stops else None for stop in STOPS},
                "counted": "from the record pose, closing positive",
            },
            "departure": {
                "incisors_mm": a.departure_mm,
                "angle_deg": a.closures.departure_deg,
                "counted": "from the record to the target, opening positive",
            },
            "pin_tip_mm": {
                "record": a.geometry.pin_tip_record_mm,
                "true": a.geometry.pin_tip_target_mm,
            },
            "landmarks": [landmark_form(a, i) for i in range(len(a.landmarks))],
            "error_motion": {stop: result.error_motion for stop, result in a.stops.items()},
            "unavailable_stops": a.closures.unavailable,
            "first_contact": {
                "true": a.contact_true,
                "arbitrary": a.contact_arbitrary,
                "mouth": a.mouth,
            },
            "occlusal_map": {
                stop: map_form(high) for stop, high in a.closures.occlusal_high_mm.items()
            },
            "decision": a.decision,
            "uncertainty": risk,
            "excursions": a.excursions,
            "mounting": mounting_form(a.mounting),
            "transfer": form(a.transfer, landmark_sd_mm="mounting_sd_mm"),
            "inputs": {
                arch: input_form(a, cast, a.placed.scans.health[arch])
                for arch, cast in (("upper", a.upper), ("lower", a.closures.lower_target))
                if cast is not None
            },
            "findings": a.findings,
            "cautions": CAUTIONS,
            "versions": versions(PACKAGES),
            "seed": None if a.uncertainty is None else a.uncertainty.seed,
        }
    )
    return told


def map_form(high_mm: FloatArray) -> dict[str, Any]:
    """How high and how open the lower's occlusal surface comes at one stop."""
    return {
        "vertices": high_mm.size,
        "highest_mm": high_mm.max() if high_mm.size else None,
        "most_open_mm": high_mm.min() if high_mm.size else None,
    }


def landmark_form(a: Assessment, i: int) -> dict[str, Any]:
    """One landmark: where it stands, and its error at every stop."""
    marks = a.landmarks
    return {
        "name": marks.names[i],
        "tooth": marks.teeth[i] or None,
        "record_mm": a.landmarks_record_mm[i],
        "true_mm": {stop: r.true_mm[i] for stop, r in a.stops.items()},
        "normal": marks.normals[i],
        "articulator_mm": {stop: r.articulator_mm[i] for stop, r in a.stops.items()},
        "error_mm": {stop: r.error_mm[i] for stop, r in a.stops.items()},
        "normal_error_mm": {stop: r.high_mm[i] for stop, r in a.stops.items()},
    }


def mounting_form(mounting: Mounting) -> dict[str, Any]:
    """How the casts were mounted, and how well the readings agree."""
    return {
        "method": mounting.method,
        "axis_orbital_from_upper_scan": mounting.axis_orbital_from_upper_scan,
        "residuals": [{"name": name, "residual_mm": mm} for name, mm in mounting.residuals],
        "rms_mm": mounting.rms_mm,
        "covariance": mounting.covariance,
        "influences": [{"reading": name, "moves_mm": mm} for name, mm in mounting.influences],
    }


def input_form(a: Assessment, cast: Cast, health: MeshHealth) -> dict[str, Any]:
    """One mesh: the file that was read, and what was found in it."""
    counts = ("watertight", "holes", "degenerate_faces", "duplicate_faces", "inverted_faces")
    return {
        "file": cast.source,
        "sha256": cast.sha256,
        "unit": a.case.casts.unit if a.case.casts else None,
        "vertices": health.n_vertices,
        "faces": health.n_faces,
        **{name: getattr(health, name) for name in (*counts, "pieces")},
    }
