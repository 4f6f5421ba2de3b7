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
from viewer.scene.build import build_scene, contact_items, exaggerated
from viewer.scene.items import Item, Label, Plane, Points, Tube
from viewer.scene.render import coarser

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.close import Closures
    from kinematics.closure.place import PlacedCase

DISPLAY_FACES = 24_000
"""Triangles of a display mesh at rest (ours)."""
MOVING_FACES = 5_000
"""Triangles while something moves (ours: software drawing must keep up with a slider)."""
PAGE_LAYERS = ("axes", "arcs", "landmarks", "contact", "plane", "map")
"""Layers whose items are sent; the casts go once, in :func:`casts_payload`."""
SCENE_KEYS = {
    "target": "lower cast from the scanned pose to the patient's target pose, 4x4",
    "record": "the same to the record pose",
    "ghost": "the same to the articulator's pose, its error multiplied by the factor",
    "error": "E - I: error of a point at the target pose, 4x4",
}
"""What the matrices of :func:`scene_state` mean."""


def display_mesh(
    cast: Cast, occlusal: NDArray[np.intp], faces: int = DISPLAY_FACES
) -> dict[str, NDArray[Any]]:
    """Arrays of one display mesh.

    Returns
    -------
    dict
        ``position`` and ``normal`` (float32, (n, 3)) for drawing; ``point`` (float32, (n, 3)),
        the nearest vertex of the full cast, whose normal ``normal`` is; ``mapped`` (uint8, (n,)),
        255 where that vertex is occlusal; ``face`` (uint32, (m, 3)), about ``faces`` at most.
    """
    points, triangles = cast.vertices_mm, cast.faces
    if len(triangles) > faces:
        points, triangles = coarser(points, triangles, faces)
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


def rounded(values: Any, digits: int = 4) -> Any:
    """Nested lists of rounded numbers."""
    return np.round(values, digits).tolist()


def by_columns(motion: RigidTransform) -> Any:
    """A motion as 16 numbers, column by column, as WebGL takes them."""
    return np.asarray(motion.as_matrix()).T.reshape(16).tolist()


def item_state(item: Item) -> list[dict[str, Any]]:
    """An item as the page's records: one a line or label, one a ball; none for a surface."""
    look: dict[str, Any] = {"layer": item.layer, "role": item.role}
    if isinstance(item, Tube):
        return [look | {"radius": item.radius_mm, "pieces": [rounded(p) for p in item.pieces]}]
    if isinstance(item, Points):
        return [look | {"radius": item.radius_mm, "at": at} for at in rounded(item.points_mm)]
    if isinstance(item, Label):
        return [look | {"text": item.text, "at": rounded(item.at_mm), "worst": item.strong}]
    return []


def scene_state(reading: Closures, factor: int) -> dict[str, Any]:
    """What the browser needs to draw one reading, JSON-ready.

    Parameters
    ----------
    reading : Closures
    factor : int
        Exaggeration of the articulator's lower against the patient's.
    """
    scene = build_scene(reading, factor=factor)
    poses, error = reading.bite(reading.stop), reading.stops[reading.stop].error_motion
    shown = scene.of(*PAGE_LAYERS)
    (plane,) = (i for i in shown if isinstance(i, Plane))
    return {
        "target": by_columns(poses.target_from_scanned),
        "record": by_columns(poses.record_from_scanned),
        "ghost": by_columns(exaggerated(error, factor) * poses.target_from_scanned),
        "error": (np.asarray(error.as_matrix()) - np.eye(4)).T.reshape(16).tolist(),
        "factor": factor,
        "limit_um": scene.signed_limit_um,
        "lines": [s for i in shown if isinstance(i, Tube) for s in item_state(i)],
        "points": [s for i in shown if isinstance(i, Points) for s in item_state(i)],
        "labels": [s for i in shown if isinstance(i, Label) for s in item_state(i)],
        "plane": plane.corners_mm.tolist(),
    }


def mouth_state(assessment: Assessment) -> dict[str, Any] | None:
    """First contact back in the mouth as a point and its label, or None."""
    items = contact_items(assessment.closures, assessment.mouth)
    found = [state for i in items if i.role == "contact" for state in item_state(i)]
    return dict(zip(("point", "label"), found)) if found else None
