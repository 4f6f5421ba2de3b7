"""Casts: load, check and report on triangle meshes of the dental arches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform


@dataclass(frozen=True, eq=False)
class Cast:
    """One dental cast as a triangle mesh in a stated frame.

    Attributes
    ----------
    arch : {"upper", "lower"}
    vertices_mm : ndarray, shape (n, 3), mm
    faces : ndarray of int32, shape (m, 3)
        Counter-clockwise seen from outside.
    tooth : ndarray of int16, shape (n,)
        ISO 3950 number of each vertex, 0 where it belongs to no tooth or is not labelled.
    source, sha256 : str
        File name (no folder) and digest; empty for a generated cast.
    """

    arch: str
    vertices_mm: NDArray[np.float64]
    faces: NDArray[np.int32]
    tooth: NDArray[np.int16]
    source: str = ""
    sha256: str = ""

    def __post_init__(self) -> None:
        vertices = np.array(self.vertices_mm, dtype=np.float64).reshape(-1, 3)
        faces = np.array(self.faces, dtype=np.int32).reshape(-1, 3)
        tooth = np.array(self.tooth, dtype=np.int16).reshape(-1)
        if len(tooth) != len(vertices):
            raise ValueError("tooth: one label a vertex is needed")
        for name, value in (("vertices_mm", vertices), ("faces", faces), ("tooth", tooth)):
            value.flags.writeable = False
            object.__setattr__(self, name, value)

    @property
    def labelled(self) -> bool:
        """Whether any vertex carries a tooth number."""
        return bool(self.tooth.any())

    def moved(self, motion: RigidTransform) -> Cast:
        """Return the cast moved (or expressed in another frame) by a rigid transform."""
        return Cast(
            self.arch,
            motion.apply(self.vertices_mm),
            self.faces,
            self.tooth,
            self.source,
            self.sha256,
        )
