"""A small Assessment: landmarks assessed for real, casts and contacts put in by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from kinematics.assessment import Assessment, assess
from kinematics.base.errors import Finding
from kinematics.case.read import case_from_dict
from kinematics.casts.cast import Cast
from kinematics.casts.health import check_cast
from kinematics.closure.place import OcclusalSurface
from kinematics.closure.tooth_contact import ContactReport, MouthReturn

RIGHT_TO_LEFT = (47, 46, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 36, 37)


def small_cast(arch: str) -> Cast:
    """A horseshoe of bumps: one small pyramid a tooth, apex towards the other arch."""
    up = 1.0 if arch == "lower" else -1.0
    numbers = RIGHT_TO_LEFT if arch == "lower" else tuple(t - 20 for t in RIGHT_TO_LEFT)
    vertices: list[Any] = []
    faces: list[list[int]] = []
    tooth: list[int] = []
    for k, number in enumerate(numbers):
        turn = np.radians(-78 + 12.0 * k)
        centre = np.array([46 + 46 * np.cos(turn), 27 * np.sin(turn), -36 - 6 * up])
        base = [centre + 3 * np.array([np.cos(a), np.sin(a), 0]) for a in np.pi / 3 * np.arange(6)]
        first = len(vertices)
        vertices += [*base, centre + np.array([0, 0, 5.8 * up])]
        for j in range(6):
            face = [first + j, first + (j + 1) % 6, first + 6]
            faces.append(face if up > 0 else face[::-1])
        tooth += [number] * 7
    return Cast(
        arch, np.array(vertices), np.array(faces), np.array(tooth), f"{arch}.ply", "ab" * 32
    )


CASE: dict[str, Any] = {
    "schema": "hingewise-case/1",
    "label": "case 07",
    "true_axis": {"width_mm": 110.0},
    "arbitrary_axis": {
        "left_anterior_mm": 4.0,
        "left_superior_mm": -3.0,
        "right_anterior_mm": 5.5,
        "right_superior_mm": -1.0,
    },
    "record": {"thickness_mm": 3.0, "site": "incisors"},
    "target": {"as_scanned": True},
    "pin": {"tip_mm": [130.0, 0.0, -38.0]},
    "decision": {"tolerance_mm": 0.1, "stop": "pin"},
}


def tooth_points(lower: Cast) -> list[dict[str, Any]]:
    """One landmark a tooth, right to left, and the incisal point, in the form of a case file."""
    found = []
    for k, t in enumerate(RIGHT_TO_LEFT):
        turn = np.radians(-78 + 12.0 * k)
        p = np.array([46 + 46 * np.cos(turn), 27 * np.sin(turn), -36.2])
        if lower.labelled:
            part = lower.vertices_mm[lower.tooth == t]
            p = part[np.argmax(part[:, 2])]
        found.append({"name": f"{t} highest point", "tooth": t, "point_mm": p.tolist()})
    return found


def hand_assessment(
    *,
    casts: tuple[Cast, Cast] | None = None,
    meshes: bool = True,
    landmarks: list[dict[str, Any]] | None = None,
    changes: dict[str, Any] | None = None,
) -> Assessment:
    """Assess the landmarks for real; put the casts in by hand, with numbers of their own.

    Parameters
    ----------
    casts : (Cast, Cast), optional
        Upper and lower in ``axis_orbital`` at the target pose.
    meshes : bool
        Whether the record gets them at all.
    landmarks, changes
        Tables that replace those of :data:`CASE`.
    """
    upper, lower = casts or (small_cast("upper"), small_cast("lower"))
    marks = tooth_points(lower) if landmarks is None else landmarks
    bare = assess(case_from_dict({**CASE, "landmarks": marks, **(changes or {})}))
    if not meshes:
        return bare
    theta, closures = bare.true_closing_deg, bare.closures
    back = bare.geometry.target_from_scanned.inv()
    placed = replace(
        bare.placed,
        upper=upper,
        lower=lower.moved(back),
        scans=replace(
            bare.placed.scans, health={"upper": check_cast(upper), "lower": check_cast(lower)}
        ),
    )
    index = np.flatnonzero(lower.vertices_mm[:, 2] > np.quantile(lower.vertices_mm[:, 2], 0.6))
    normals = np.tile(back.rotation.apply([0.0, 0.0, 1.0]), (len(index), 1))
    placed.__dict__["lower_occlusal"] = OcclusalSurface(
        index, placed.lower.vertices_mm[index], normals
    )
    geometry = replace(bare.geometry, placed=placed)
    stops = dict(bare.stops)
    stops["contact"] = geometry.result("contact", bare.arbitrary_axis, (theta, 1.02 * theta))
    tip = bare.landmarks.points_mm[0]

    def contact(angle: float, words: str) -> ContactReport:
        return ContactReport("contact", angle, tip, 17, 47, words)

    closures = replace(
        closures,
        geometry=geometry,
        stops=stops,
        unavailable={},
        contact_true=contact(theta, "About the true axis, 17 meets 47 first."),
        contact_arbitrary=contact(1.02 * theta, "About the arbitrary axis, 17 meets 47 first."),
    )
    closures.__dict__["mouth"] = MouthReturn(
        contact(-0.11, "Back in the mouth, 17 meets 47 first."), 0.11, 0.17
    )
    curve = {**bare.curve.worst_error_mm, "contact": 0.08 * np.abs(bare.curve.departure_mm)}
    return replace(
        bare,
        closures=closures,
        curve=replace(bare.curve, worst_error_mm=curve),
        findings=(Finding("warning", "casts.lower", "3 small holes <b>", "Close them."),),
    )


def with_placed(assessment: Assessment, **changes: Any) -> Assessment:
    """The assessment with parts of its placed case replaced, nothing computed anew."""
    closures = assessment.closures
    geometry = replace(closures.geometry, placed=replace(closures.placed, **changes))
    found = replace(closures, geometry=geometry)
    if "mouth" in closures.__dict__:
        found.__dict__["mouth"] = closures.mouth
    return replace(assessment, closures=found)
