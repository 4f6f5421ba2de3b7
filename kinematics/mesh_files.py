"""Mesh file formats: bytes to vertices, faces and tooth labels; and a cast to a binary PLY."""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from trimesh.exchange.off import load_off
from trimesh.exchange.ply import load_ply
from trimesh.geometry import triangulate_quads

from kinematics.errors import InputError

if TYPE_CHECKING:
    from kinematics.mesh import Cast

Parsed = tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int16] | None]

STL_HEADER_BYTES = 84
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
EXPORT_AGAIN = "Export the scan again and copy it whole."


def _broken(file: Path, got: str, allowed: str) -> InputError:
    return InputError("mesh", got, allowed, EXPORT_AGAIN, file)


def parse_stl(data: bytes, file: Path) -> Parsed:
    """Read a binary or ASCII STL; corners with exactly equal coordinates become one vertex."""
    n = int.from_bytes(data[80:84], "little") if len(data) >= STL_HEADER_BYTES else -1
    expected = STL_HEADER_BYTES + n * STL_RECORD.itemsize
    if n >= 0 and len(data) == expected:
        records = np.frombuffer(data, STL_RECORD, n, STL_HEADER_BYTES)
        corners = records["corners"].reshape(-1, 3).astype(np.float64)
    elif data.lstrip()[:5].lower() == b"solid" and b"facet" in data[:4096].lower():
        corners = _ascii_stl_corners(data, file)
    elif n < 0 or b"\0" not in data[:4096]:
        raise _broken(file, "content that is neither binary nor ASCII STL", "an STL file")
    else:
        raise _broken(
            file,
            f"a header that promises {n} triangles ({expected} bytes) in {len(data)} bytes",
            "a count that fits the file",
        )
    vertices, inverse = merge_exactly(corners)
    return vertices, inverse.reshape(-1, 3), None


def _ascii_stl_corners(data: bytes, file: Path) -> NDArray[np.float64]:
    text = data.lower()
    words = re.findall(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", text)
    facets = len(re.findall(rb"\bfacet\s+normal\b", text))
    if len(words) != 3 * facets or text.count(b"endfacet") != facets or b"endsolid" not in text:
        raise _broken(
            file,
            f"a text STL that breaks off ({facets} facets begun, {len(words)} corners)",
            "three corners for every facet and a closing endsolid",
        )
    try:
        return np.array(words, dtype=np.float64).reshape(-1, 3)
    except ValueError:
        raise _broken(file, "corners that are not numbers", "three numbers a vertex") from None


def merge_exactly(corners: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Merge points with exactly equal coordinates (0.0 and -0.0 are equal).

    Parameters
    ----------
    corners : ndarray, shape (n, 3)

    Returns
    -------
    points : ndarray, shape (k, 3)
        In order of x, then y, then z.
    inverse : ndarray of int64, shape (n,)
        ``points[inverse]`` equals ``corners``.
    """
    corners = corners + 0.0
    if not len(corners):
        return corners, np.zeros(0, np.int64)
    order = np.lexsort((corners[:, 2], corners[:, 1], corners[:, 0]))
    ordered = corners[order]
    new = np.concatenate([[True], (ordered[1:] != ordered[:-1]).any(axis=1)])
    inverse = np.empty(len(corners), np.int64)
    inverse[order] = np.cumsum(new) - 1
    return ordered[new], inverse


def parse_ply(data: bytes, file: Path) -> Parsed:
    """Read an ASCII or binary PLY with an optional integer vertex property ``tooth``."""
    end = data.find(b"end_header", 0, 65536)
    if not data.startswith(b"ply") or end < 0:
        raise _broken(file, "content without a PLY header", "a PLY file")
    counts = re.findall(rb"^\s*element\s+\S+\s+(-?\d+)\s*$", data[:end], re.MULTILINE)
    # A vertex or face takes at least two bytes in any encoding.
    if any(int(c) < 0 or 2 * int(c) > len(data) for c in counts):
        raise _broken(
            file,
            f"a header that promises {', '.join(c.decode() for c in counts)} elements "
            f"in {len(data)} bytes",
            "counts that fit the file",
        )
    try:
        read = load_ply(io.BytesIO(data), fix_texture=False, skip_materials=True)
        raw = read["metadata"]["_ply_raw"]
        vertices = np.asarray(read["vertices"], dtype=np.float64)
        faces = np.asarray(triangulate_quads(read["faces"]), np.int64)
        if len(vertices) != raw["vertex"]["length"]:
            raise ValueError("fewer vertices than promised")
        if raw["face"]["length"] and not len(faces):
            raise ValueError("no faces")
        names = raw["vertex"]["properties"]
        tooth = None
        if "tooth" in names:
            values = np.asarray(raw["vertex"]["data"]["tooth"]).reshape(-1)
            tooth = _as_labels(values, file)
    except InputError:
        raise
    except Exception as error:  # the reader raises whatever broken bytes provoke
        raise _broken(
            file, f"a truncated or inconsistent PLY ({type(error).__name__})", "a whole PLY file"
        ) from None
    return _checked(vertices, faces, tooth, file)


def _as_labels(values: NDArray, file: Path) -> NDArray[np.int16]:
    numbers = np.asarray(values, dtype=np.float64)
    units = numbers % 10
    good = (numbers == 0) | ((numbers >= 11) & (numbers <= 85) & (units >= 1) & (units <= 8))
    if not (good & (numbers == np.floor(numbers))).all():
        worst = numbers[~good][:1] if (~good).any() else numbers[:1]
        raise InputError(
            "vertex property tooth",
            f"label {worst[0]:g}",
            "0 or an ISO 3950 tooth number (11 to 85)",
            "Correct the labels or remove the property.",
            file,
        )
    return numbers.astype(np.int16)


def parse_obj(data: bytes, file: Path) -> Parsed:
    """Read vertices and faces of an OBJ; materials, textures and groups are ignored."""
    points: list[list[bytes]] = []
    triangles: list[tuple[int, int, int]] = []
    try:
        for line in data.replace(b"\\\n", b" ").splitlines():
            words = line.split()
            if not words or words[0] not in (b"v", b"f"):
                continue
            if words[0] == b"v":
                if len(words) < 4:
                    raise ValueError
                points.append(words[1:4])
                continue
            ids = [int(w.split(b"/", 1)[0]) for w in words[1:]]
            ids = [i - 1 if i > 0 else len(points) + i if i < 0 else -1 for i in ids]
            if len(ids) < 3:
                raise ValueError
            triangles.extend((ids[0], ids[k], ids[k + 1]) for k in range(1, len(ids) - 1))
        vertices = np.array(points, dtype=np.float64).reshape(-1, 3)
    except ValueError:
        raise _broken(file, "vertex or face lines that cannot be read", "an OBJ file") from None
    return _checked(vertices, np.array(triangles, np.int64).reshape(-1, 3), None, file)


def parse_off(data: bytes, file: Path) -> Parsed:
    """Read an OFF file."""
    try:
        read = load_off(io.BytesIO(data))
        vertices = np.asarray(read["vertices"], dtype=np.float64)
        faces = np.asarray(read["faces"], np.int64).reshape(-1, 3)
        promised = int(re.split(rb"OFF", re.sub(rb"#.*", b"", data), maxsplit=1)[1].split()[1])
        if len(faces) < promised:
            raise ValueError("fewer faces than promised")
    except Exception as error:  # the reader raises whatever broken bytes provoke
        raise _broken(
            file, f"a truncated or inconsistent OFF ({type(error).__name__})", "a whole OFF file"
        ) from None
    return _checked(vertices, faces, None, file)


def _checked(
    vertices: NDArray[np.float64],
    faces: NDArray[np.int64],
    tooth: NDArray[np.int16] | None,
    file: Path,
) -> Parsed:
    if not len(vertices):
        raise _broken(file, "no vertices", "a mesh with vertices and faces")
    faces = faces.reshape(-1, 3)
    if len(faces) and not (faces.min() >= 0 and faces.max() < len(vertices)):
        raise _broken(
            file,
            f"faces that name vertices outside 0 to {len(vertices) - 1}",
            "faces that name existing vertices",
        )
    return vertices.reshape(-1, 3), faces, tooth


PARSERS: dict[str, Callable[[bytes, Path], Parsed]] = {
    ".stl": parse_stl,
    ".ply": parse_ply,
    ".obj": parse_obj,
    ".off": parse_off,
}
"""Readers by file name extension; nothing else is opened."""


def write_ply(
    cast: Cast,
    path: Path | str,
    fields: Mapping[str, NDArray] | None = None,
    *,
    single: bool = False,
) -> None:
    """Write a cast as a binary PLY with its tooth labels and more values a vertex.

    Parameters
    ----------
    cast : Cast
    path : Path or str
        Replaced atomically.
    fields : mapping of str to ndarray, shape (n,), optional
        More vertex properties, written as 32-bit floats, for example ``high_um``.
    single : bool
        Store coordinates in 32 bits (rounded to about 4e-6 mm); otherwise 64 bits, exactly.

    Raises
    ------
    InputError
        The folder does not exist or cannot be written.
    """
    file = Path(path)
    extra = {name: np.asarray(values) for name, values in (fields or {}).items()}
    for name, values in extra.items():
        if not re.fullmatch(r"[a-z][a-z0-9_]*", name) or name in ("x", "y", "z", "tooth"):
            raise ValueError(f"{name}: not a free property name")
        if values.shape != (len(cast.vertices_mm),):
            raise ValueError(f"{name}: one value a vertex is needed")
    real, word = ("<f4", "float") if single else ("<f8", "double")
    layout = [(axis, real) for axis in "xyz"] + [("tooth", "<i2")] + [(n, "<f4") for n in extra]
    points = np.empty(len(cast.vertices_mm), np.dtype(layout))
    for k, axis in enumerate("xyz"):
        points[axis] = cast.vertices_mm[:, k]
    points["tooth"] = cast.tooth
    for name, values in extra.items():
        points[name] = values
    faces = np.empty(len(cast.faces), np.dtype([("n", "u1"), ("ids", "<i4", 3)]))
    faces["n"], faces["ids"] = 3, cast.faces
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {cast.arch} cast, mm; tooth: ISO 3950 number, 0 for none",
        f"element vertex {len(points)}",
        *(f"property {word} {axis}" for axis in "xyz"),
        "property short tooth",
        *(f"property float {name}" for name in extra),
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    try:
        handle, temporary = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
    except OSError as error:
        raise InputError(
            "output",
            f"a folder that cannot be written ({error.strerror})",
            "an existing folder with permission to write",
            "Choose another folder.",
            file,
        ) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write("\n".join(header).encode("ascii"))
            points.tofile(stream)
            faces.tofile(stream)
        os.chmod(temporary, 0o644)
        os.replace(temporary, file)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
