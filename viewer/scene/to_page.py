"""What the browser draws: decimated casts sent once, and a few matrices and lines a change.

The signed map is not sent: every display vertex carries the point and normal of the nearest vertex
of the full cast, and the browser colours it with the exact error motion (:data:`SCENE_KEYS`).
Coordinates are in ``axis_orbital``, mm; the lower at the scanned pose.
"""

from __future__ import annotations

import json
import struct
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform

from kinematics.casts.cast import Cast
from kinematics.casts.occlusal import vertex_normals
from kinematics.closure.stops import high_amount
from viewer.look.palette import AXIS_LABEL, LINE_STYLE, scale_limit_um
from viewer.report.tables import NOTHING_MM
from viewer.scene.build import arc, crown_tops, ends, plane_corners
from viewer.scene.items import dashes

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.close import Closures
    from kinematics.closure.place import PlacedCase

DISPLAY_FACES = 24_000
"""Triangles of a display mesh at rest (ours)."""
MOVING_FACES = 5_000
"""Triangles while something moves (ours: software drawing must keep up with a slider)."""
AXIS_OVERHANG_MM = 10.0
ARC_BEYOND_DEG = 9.0
SCENE_KEYS = {
    "target": "lower cast from the scanned pose to the patient's target pose, 4x4",
    "record": "the same to the record pose",
    "ghost": "the same to the articulator's pose, its error multiplied by the factor",
    "error": "E - I: error of a point at the target pose, 4x4",
}
"""What the matrices of :func:`scene_state` mean."""


def decimate(cast: Cast, faces: int = DISPLAY_FACES) -> tuple[NDArray[Any], NDArray[Any]]:
    """Return points (n, 3) and triangles (m, 3) of a coarser copy for display.

    Notes
    -----
    *Guarantee*: at most about ``faces`` triangles; a smaller cast is returned as it is.
    """
    if len(cast.faces) <= faces:
        return np.array(cast.vertices_mm), np.array(cast.faces)
    import pyvista as pv

    mesh = pv.PolyData.from_regular_faces(np.array(cast.vertices_mm), np.array(cast.faces))
    coarse = mesh.decimate(1.0 - faces / len(cast.faces))
    return np.asarray(coarse.points, dtype=np.float64), coarse.regular_faces


def display_mesh(
    cast: Cast, occlusal: NDArray[np.intp], faces: int = DISPLAY_FACES
) -> dict[str, NDArray[Any]]:
    """Arrays of one display mesh.

    Returns
    -------
    dict
        ``position`` and ``normal`` (float32, (n, 3)) for drawing; ``point`` (float32, (n, 3)),
        the nearest vertex of the full cast, whose normal ``normal`` is; ``mapped`` (uint8, (n,)),
        255 where that vertex is occlusal; ``face`` (uint32, (m, 3)).
    """
    points, triangles = decimate(cast, faces)
    nearest = cKDTree(cast.vertices_mm).query(points)[1]
    is_occlusal = np.zeros(len(cast.vertices_mm), dtype=np.uint8)
    is_occlusal[occlusal] = 255
    return {
        "position": points.astype(np.float32),
        "normal": vertex_normals(cast)[nearest].astype(np.float32),
        "point": cast.vertices_mm[nearest].astype(np.float32),
        "mapped": is_occlusal[nearest],
        "face": triangles.astype(np.uint32),
    }


def pack(parts: dict[str, dict[str, NDArray[Any]]]) -> bytes:
    """Pack arrays for the browser: length of the head, JSON head, arrays on 4-byte borders."""
    head: dict[str, Any] = {}
    body = b""
    for name, arrays in parts.items():
        head[name] = {}
        for key, array in arrays.items():
            body += b"\0" * (-len(body) % 4)
            raw = np.ascontiguousarray(array).tobytes()
            head[name][key] = [str(array.dtype), len(body), int(array.size)]
            body += raw
    text = json.dumps(head).encode()
    text += b" " * (-len(text) % 4)
    return struct.pack("<I", len(text)) + text + body


def casts_payload(placed: PlacedCase) -> bytes:
    """Both display meshes at rest and in motion (``..._moving``); without casts an empty pack."""
    parts = {}
    none = np.zeros(0, dtype=np.intp)
    for name, cast in (("upper", placed.upper), ("lower", placed.lower)):
        if cast is None:
            continue
        surface = placed.lower_occlusal if name == "lower" else None
        mapped = none if surface is None else surface.index
        parts[name] = display_mesh(cast, mapped)
        parts[f"{name}_moving"] = display_mesh(cast, mapped, MOVING_FACES)
    return pack(parts)


def rounded(values: NDArray[np.float64], digits: int = 4) -> Any:
    """Nested lists of rounded numbers."""
    return np.round(values, digits).tolist()


def exaggerated(motion: RigidTransform, factor: float) -> RigidTransform:
    """The same screw with its angle and slide multiplied."""
    return RigidTransform.from_exp_coords(factor * np.asarray(motion.as_exp_coords()))


def _matrix(motion: RigidTransform) -> Any:
    return np.asarray(motion.as_matrix()).T.reshape(16).tolist()


def _line(
    layer: str, role: str, path: NDArray[np.float64], radius: float, lengths: tuple[float, float]
) -> dict[str, Any]:
    pieces = dashes(path, LINE_STYLE[role], lengths)
    return {"layer": layer, "role": role, "radius": radius, "pieces": [rounded(p) for p in pieces]}


def _label(layer: str, role: str, text: str, at: Any) -> dict[str, Any]:
    return {"layer": layer, "role": role, "text": text, "at": rounded(np.asarray(at))}


def scene_state(reading: Closures, factor: int) -> dict[str, Any]:
    """What the browser needs to draw one reading, JSON-ready.

    Parameters
    ----------
    reading : Closures
    factor : int
        Exaggeration of the articulator's lower against the patient's.
    """
    result = reading.stops[reading.decision]
    poses, marks = reading.geometry.poses, reading.landmarks
    to_target = poses.target_from_scanned
    lines: list[dict[str, Any]] = []
    labels: list[dict[str, Any]] = []
    points: list[dict[str, Any]] = []
    axes = {"true": reading.true_axis, "arbitrary": reading.arbitrary_axis}
    angle = {"true": reading.true_closing_deg, "arbitrary": result.closing_deg}
    chosen = ends(marks.names, reading.landmarks_record_mm)
    worst, size = result.worst
    named = worst if size > NOTHING_MM else -1  # the landmark of the headline
    if named >= 0 and named not in chosen:
        chosen.append(named)
    for role, axis in axes.items():
        over = AXIS_OVERHANG_MM * axis.direction
        path = np.stack([axis.right_point_mm - over, axis.left_point_mm + over])
        lines.append(_line("axes", role, path, 0.9, (5.0, 3.0)))
        for end in (axis.left_point_mm, axis.right_point_mm):
            points.append(_ball("axes", role, end, 1.9))
        labels.append(_label("axes", role, AXIS_LABEL[role], path[1]))
        sign = 1.0 if angle[role] >= 0 else -1.0
        for i in chosen:
            start = reading.landmarks_record_mm[i]
            lines.append(
                _line("arcs", role, arc(axis, start, angle[role], steps=16), 0.65, (1.0, 0.7))
            )
            far = angle[role] + sign * ARC_BEYOND_DEG
            thin = arc(axis, start, far, start_deg=-sign * ARC_BEYOND_DEG, steps=24)
            lines.append(_line("arcs", role, thin, 0.24, (2.4, 1.8)))
    for i in range(len(marks)):
        points.append(_ball("landmarks", "true", marks.points_mm[i], 0.8))
    labels += [
        _label("landmarks", "ink", marks.names[i], marks.points_mm[i]) | {"worst": i == named}
        for i in chosen
    ]
    labels += tooth_labels(reading)
    for role, report in (
        ("true", reading.contact_true),
        ("arbitrary", reading.contact_arbitrary),
    ):
        if report.status == "contact":
            points.append(_ball("contact", role, report.point_mm, 1.3))
            text = f"first contact, {AXIS_LABEL[role]}"
            labels.append(_label("contact", role, text, report.point_mm))
    reach = float(marks.incisal_point_mm[0])
    return {
        "target": _matrix(to_target),
        "record": _matrix(poses.record_from_scanned),
        "ghost": _matrix(exaggerated(result.error_motion, factor) * to_target),
        "error": (np.asarray(result.error_motion.as_matrix()) - np.eye(4)).T.reshape(16).tolist(),
        "factor": factor,
        "limit_um": map_limit_um(reading),
        "lines": lines,
        "points": points,
        "labels": labels,
        "plane": plane_corners(reading.true_axis, reach),
    }


def _ball(layer: str, role: str, at: NDArray[np.float64], radius: float) -> dict[str, Any]:
    return {"layer": layer, "role": role, "at": rounded(at), "radius": radius}


def tooth_labels(reading: Closures) -> list[dict[str, Any]]:
    """Tooth numbers above the crowns of a labelled lower, at the target pose."""
    lower = reading.placed.lower
    if lower is None or not lower.labelled:
        return []
    move = reading.geometry.poses.target_from_scanned
    out = []
    for number, at in _crowns(lower).items():
        out.append(_label("map", "tooth", str(number), move.apply(at)))
    return out


_crown_cache: dict[int, tuple[Cast, dict[int, NDArray[np.float64]]]] = {}


def _crowns(lower: Cast) -> dict[int, NDArray[np.float64]]:
    kept = _crown_cache.get(id(lower))
    if kept is not None and kept[0] is lower:
        return kept[1]
    found = crown_tops(lower)
    _crown_cache.clear()
    _crown_cache[id(lower)] = (lower, found)
    return found


def map_limit_um(reading: Closures) -> float:
    """End of the map's scale: from the landmarks and the occlusal surface's own values."""
    surface = reading.placed.lower_occlusal
    result = reading.stops[reading.decision]
    if surface is None:
        return scale_limit_um(1e3 * result.high_mm)
    move = reading.geometry.poses.target_from_scanned
    step = max(1, len(surface.points_mm) // 4000)
    points = move.apply(surface.points_mm[::step])
    normals = move.rotation.apply(surface.normals[::step])
    return scale_limit_um(1e3 * high_amount(result.error_motion, points, normals))


def mouth_state(assessment: Assessment) -> dict[str, Any] | None:
    """First contact back in the mouth as a point and its label, or None."""
    mouth = assessment.mouth
    if mouth is None or not np.isfinite(mouth.contact.point_mm).all():
        return None
    text = "first contact back in the mouth"
    return {
        "point": _ball("contact", "contact", mouth.contact.point_mm, 1.3),
        "label": _label("contact", "contact", text, mouth.contact.point_mm),
    }
