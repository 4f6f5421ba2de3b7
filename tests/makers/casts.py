"""Casts for the tests: the real pairs as meshes and as casts, and the labelled sample casts."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import trimesh
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.casts.cast import Cast, load_cast
from kinematics.contact.first_contact import first_contact, prepare
from tests import SAMPLES, SCANS

Mesh = tuple[np.ndarray, np.ndarray]
CONDYLAR_AXIS = HingeAxis([138.28, -47.92, 137.77], [138.28, 47.92, 137.77])
"""Condylar centres of the open pair (README of the scans); its +y is the patient's right."""


@cache
def scan_pair(name: str) -> tuple[Mesh, Mesh]:
    """Vertices and faces of the ``open`` or ``closed`` pair, read by trimesh, not by our reader."""
    pair = []
    for arch in ("upper", "lower"):
        mesh = trimesh.load(SCANS / f"{name}_pair_{arch}.stl", process=False)
        pair.append((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32)))
    return pair[0], pair[1]


def scan(name: str, arch: str) -> Cast:
    """One cast of the ``open`` or ``closed`` pair, read by our reader."""
    return load_cast(SCANS / f"{name}_pair_{arch}.stl", arch)[0]


def open_pair_in_articulator(axis: HingeAxis) -> tuple[Cast, Cast]:
    """The open pair with its condylar centres on the y axis, the lower closed to first contact."""
    turn = Rotation.from_matrix(np.diag([-1.0, -1.0, 1.0]))
    place = RigidTransform.from_components([138.28, 0.0, -137.77], turn)
    upper, lower = (scan("open", arch).moved(place) for arch in ("upper", "lower"))
    pair = prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)
    return upper, lower.moved(closing_motion(axis, first_contact(pair, axis).closing_deg))


@cache
def sample(arch: str) -> Cast:
    """The labelled ``upper`` or ``lower`` cast of the demo."""
    return load_cast(SAMPLES / f"{arch}.ply", arch)[0]


def only(cast: Cast, *teeth: int) -> Cast:
    """The cast with the labels of these teeth alone."""
    return replace(cast, tooth=np.where(np.isin(cast.tooth, teeth), cast.tooth, 0).astype(np.int16))
