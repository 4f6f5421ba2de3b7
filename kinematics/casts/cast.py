"""Casts: the record of one dental cast as a triangle mesh, read from a file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.errors import Finding, InputError
from kinematics.base.files import read_regular_file
from kinematics.casts.formats import PARSERS, write_ply

if TYPE_CHECKING:
    import trimesh

MAX_FILE_BYTES = 200 * 1024 * 1024
"""Largest mesh file that is read (ours): twenty times a dense intraoral scan."""
MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Units a mesh may be stored in; one inch is 25.4 mm by definition."""
ARCH_SPAN_MM = (40.0, 110.0)
"""Plausible largest extent of a cast of a dental arch, with or without a base (ours)."""
POSSIBLE_SPAN_MM = (15.0, 250.0)
"""A mesh outside is no cast in that unit (ours): smaller than two molars, and larger than a head; a
cast of 30 to 120 mm read in a unit ten or more times off always falls outside."""
TYPICAL_SPAN_MM = 68.0
"""Typical largest extent of such a cast, used to choose between two plausible units (ours)."""


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
    vertices_mm: FloatArray
    faces: NDArray[np.int32]
    tooth: NDArray[np.int16]
    source: str = ""
    sha256: str = ""

    def __post_init__(self) -> None:
        for name, kind, shape in (
            ("vertices_mm", np.float64, (-1, 3)),
            ("faces", np.int32, (-1, 3)),
            ("tooth", np.int16, -1),
        ):
            object.__setattr__(self, name, frozen(getattr(self, name), kind).reshape(shape))
        if len(self.tooth) != len(self.vertices_mm):
            raise ValueError("tooth: one label a vertex is needed")

    @property
    def labelled(self) -> bool:
        """Whether any vertex carries a tooth number."""
        return bool(self.tooth.any())

    def face_tooth(self, face: int) -> int:
        """ISO 3950 number of a face: the commonest of its corners' (of two alike the smaller).

        0 where no corner has one, and for the face -1, which stands for none.
        """
        labels = self.tooth[self.faces[face]] if face >= 0 else self.tooth[:0]
        labels = labels[labels > 0]
        return int(np.bincount(labels).argmax()) if len(labels) else 0

    def moved(self, motion: RigidTransform) -> Cast:
        """Return the cast moved (or expressed in another frame) by a rigid transform."""
        return replace(self, vertices_mm=motion.apply(self.vertices_mm))

    def write(
        self, path: Path | str, fields: Mapping[str, NDArray] | None = None, *, single: bool = False
    ) -> None:
        """Write a binary PLY; see :func:`kinematics.casts.formats.write_ply`."""
        arrays = (self.vertices_mm, self.faces, self.tooth)
        write_ply(*arrays, path, fields, what=f"{self.arch} cast", single=single)

    def as_trimesh(self) -> trimesh.Trimesh:
        """Return the cast as a trimesh mesh, mm, for that library's general mesh tools.

        Vertices and faces keep their order; ``vertex_attributes["tooth"]`` holds the numbers.
        """
        import trimesh

        return trimesh.Trimesh(
            self.vertices_mm,
            self.faces,
            process=False,
            vertex_attributes={"tooth": self.tooth},
            metadata={"arch": self.arch, "source": self.source, "unit": "mm"},
        )

    @classmethod
    def from_trimesh(cls, mesh: trimesh.Trimesh, arch: str, unit: str = "mm") -> Cast:
        """Take a cast from a trimesh mesh.

        Parameters
        ----------
        mesh : trimesh.Trimesh
            ``vertex_attributes["tooth"]``, where there is one, holds ISO 3950 numbers.
        arch : {"upper", "lower"}
        unit : {"mm", "cm", "m", "inch"}
            What the mesh's coordinates are in.

        Raises
        ------
        InputError
            No triangle, a coordinate that is not finite, an unknown arch or unit.
        """
        known = {"arch": (arch, ("upper", "lower")), "unit": (unit, tuple(MM_PER_UNIT))}
        for field, (got, allowed) in known.items():
            if got not in allowed:
                raise InputError(field, repr(got), ", ".join(allowed), "Correct it.")
        vertices = np.array(mesh.vertices, dtype=np.float64) * MM_PER_UNIT[unit]
        if not len(mesh.faces) or not np.isfinite(vertices).all():
            lost = int((~np.isfinite(vertices)).any(axis=1).sum())
            got = f"{len(mesh.faces)} triangles, {lost} vertices that are not finite"
            need = "at least one triangle and finite vertices"
            raise InputError("mesh", got, need, "Clean the mesh first.")
        tooth = mesh.vertex_attributes.get("tooth", np.zeros(len(vertices)))
        return cls(arch, vertices, mesh.faces, tooth)


def load_cast(path: Path | str, arch: str, unit: str = "mm") -> tuple[Cast, list[Finding]]:
    """Read a cast from an STL, PLY, OBJ or OFF file.

    Parameters
    ----------
    path : Path or str
        A regular file of at most 200 MB. A PLY may carry an integer vertex property ``tooth``
        with ISO 3950 numbers (0 for none).
    arch : {"upper", "lower"}
    unit : {"mm", "cm", "m", "inch", "auto"}
        Unit of the stored coordinates; ``auto`` takes the unit that makes a plausible arch.

    Returns
    -------
    Cast, list of Finding
        Vertices in mm, in the frame of the file. The findings speak of the unit only; see
        :func:`kinematics.casts.health.check_cast` for the mesh itself.

    Raises
    ------
    InputError
        Missing, unreadable, too large, not a regular file, a link out of its folder, unknown
        format, truncated or inconsistent content, unknown unit or arch.

    Notes
    -----
    Guarantee: nothing in the file is executed and no other file is opened because of it; memory
    stays under 2.5 GB for any content of 200 MB (measured: 1.8 GB, a binary STL of as many
    unlike corners as fit), whatever counts the file states. STL
    corners with exactly equal coordinates become one vertex, numbered in order of (x, y, z), so
    vertex indices do not depend on the order of the triangles. Vertices of the other formats
    keep their file order.
    """
    file = Path(path)
    if arch not in ("upper", "lower"):
        raise InputError("arch", repr(arch), '"upper" or "lower"', "Name the arch.", file)
    if unit != "auto" and unit not in MM_PER_UNIT:
        allowed = ", ".join([*MM_PER_UNIT, "auto"])
        raise InputError("casts.unit", repr(unit), f"one of {allowed}", "Correct the unit.", file)
    parser = PARSERS.get(file.suffix.lower())
    if parser is None:
        need, fix = f"one of {', '.join(PARSERS)}", "Export the scan in one of these formats."
        raise InputError("file type", repr(file.suffix), need, fix, file)
    data = read_regular_file(
        file, "a mesh", MAX_FILE_BYTES, links=False,
        too_large="Reduce the number of triangles or export as binary.",
    )  # fmt: skip
    vertices, faces, tooth = parser(data, file)
    scale, findings = scale_to_mm(vertices, unit, file)
    tooth = np.zeros(len(vertices), np.int16) if tooth is None else tooth
    digest = hashlib.sha256(data).hexdigest()
    cast = Cast(arch, vertices * scale, faces.astype(np.int32), tooth, file.name, digest)
    return cast, findings


def likely_unit(span: float) -> str | None:
    """Name the unit in which a largest extent ``span`` makes a plausible dental arch.

    Returns
    -------
    str or None
        The plausible unit nearest to a typical arch, or None where no unit fits.
    """
    low, high = ARCH_SPAN_MM
    fits = [u for u, k in MM_PER_UNIT.items() if low <= span * k <= high]
    off = {u: abs(np.log(span * MM_PER_UNIT[u] / TYPICAL_SPAN_MM)) for u in fits}
    return min(fits, key=off.__getitem__, default=None)


def scale_to_mm(vertices: FloatArray, unit: str, file: Path) -> tuple[float, list[Finding]]:
    """Return mm per stored unit, and what is to be said about the unit."""
    finite = vertices[np.isfinite(vertices).all(axis=1)]
    span = float(np.ptp(finite, axis=0).max()) if len(finite) else 0.0
    likely, where = likely_unit(span), f"{file.name}: unit"
    if unit == "auto":
        if likely is None:
            got = f'"auto" for a mesh {span:.4g} units across'
            need = "a mesh that is an arch of 40 to 110 mm in mm, cm, m or inch"
            fix = "State the unit, or check that this is the scan of an arch."
            raise InputError("casts.unit", got, need, fix, file)
        text = f"read as {likely}: the largest extent is then {span * MM_PER_UNIT[likely]:.1f} mm"
        fix = f'Write unit = "{likely}" if that is right.'
        return MM_PER_UNIT[likely], [Finding("note", where, text, fix)]
    scale, (low, high) = MM_PER_UNIT[unit], ARCH_SPAN_MM
    if low <= span * scale <= high:
        return scale, []
    text = f"the largest extent is {span * scale:.4g} mm when read in {unit}; "
    text += f"a dental arch has {low:g} to {high:g} mm"
    possible = POSSIBLE_SPAN_MM[0] <= span * scale <= POSSIBLE_SPAN_MM[1]
    if likely is not None:
        fix = f'The file looks like {likely}: set unit = "{likely}" if that is right.'
    else:
        fix = "Check that this is the scan of a whole arch"
        fix += "." if possible else ", and set unit to that of the file."
    return scale, [Finding("warning" if possible else "error", where, text, fix)]
