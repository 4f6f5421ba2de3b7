"""Mesh file formats: bytes to vertices, faces and tooth labels; and a mesh to a binary PLY.

The readers are our own. Tried here (trimesh 4): a truncated STL or PLY passes as a smaller mesh, an
OBJ whose vertex has two numbers shifts all others, a face of vertex 0 or of two corners is changed
or dropped, and so are rows that an OFF promises and lacks, all without a word.
"""

from __future__ import annotations

import io
import re
from array import array
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, write_file
from kinematics.casts.ply import MAX_ROWS, fan, read_ply

Parsed = tuple[FloatArray, NDArray[np.int64], NDArray[np.int16] | None]

MAX_LINE_BYTES = 100_000
"""Longest line of an OBJ or OFF file (ours)."""
STL_HEADER_BYTES = 84
STL_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
EXPORT_AGAIN = "Export the scan again and copy it whole."


def broken(file: Path, got: str, allowed: str) -> InputError:
    """The error of a file that is damaged."""
    return InputError("mesh", got, allowed, EXPORT_AGAIN, file)


def parse_stl(data: bytes, file: Path) -> Parsed:
    """Read a binary or ASCII STL; corners with exactly equal coordinates become one vertex."""
    n = int.from_bytes(data[80:84], "little") if len(data) >= STL_HEADER_BYTES else -1
    expected = STL_HEADER_BYTES + n * STL_RECORD.itemsize
    if n >= 0 and len(data) == expected:
        records = np.frombuffer(data, STL_RECORD, n, STL_HEADER_BYTES)
        corners = records["corners"].reshape(-1, 3).astype(np.float64)
    elif data.lstrip()[:5].lower() == b"solid" and b"facet" in data[:4096].lower():
        corners = ascii_stl_corners(data, file)
    elif n < 0 or b"\0" not in data[:4096]:
        raise broken(file, "content that is neither binary nor ASCII STL", "an STL file")
    else:
        got = f"a header that promises {n} triangles ({expected} bytes) in {len(data)} bytes"
        raise broken(file, got, "a count that fits the file")
    vertices, inverse = merge_exactly(corners)
    return vertices, inverse.reshape(-1, 3), None


def ascii_stl_corners(data: bytes, file: Path) -> FloatArray:
    """Corners of a text STL, shape (3 m, 3)."""
    text = data.lower()
    facets = sum(1 for _ in re.finditer(rb"\bfacet\s+normal\b", text))
    whole = text.count(b"endfacet") == facets and b"endsolid" in text
    values = array("d")
    try:
        for word in re.finditer(rb"\bvertex\s+(\S+)\s+(\S+)\s+(\S+)", text if whole else b""):
            values.extend(map(float, word.groups()))
            if len(values) > 9 * facets:
                break
    except ValueError:
        raise broken(file, "corners that are not numbers", "three numbers a vertex") from None
    if not whole or len(values) != 9 * facets:
        got = f"a text STL that breaks off ({facets} facets begun)"
        raise broken(file, got, "three corners for every facet and a closing endsolid")
    return np.frombuffer(values, np.float64).reshape(-1, 3) if facets else np.zeros((0, 3))


def merge_exactly(corners: FloatArray) -> tuple[FloatArray, NDArray[np.int64]]:
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
    try:
        vertices, faces, labels = read_ply(data)
    except ValueError as error:
        raise broken(file, str(error), "a whole PLY file") from None
    return checked(vertices, faces, None if labels is None else tooth_labels(labels, file), file)


def tooth_labels(values: NDArray, file: Path) -> NDArray[np.int16]:
    """Labels of vertices, each 0 or a tooth in ISO 3950; others are refused."""
    numbers = np.asarray(values, dtype=np.float64)
    units = numbers % 10
    good = (numbers == 0) | ((numbers >= 11) & (numbers <= 85) & (units >= 1) & (units <= 8))
    good &= numbers == np.floor(numbers)
    if not good.all():
        got, need = f"label {numbers[~good][0]:g}", "0 or an ISO 3950 tooth number (11 to 85)"
        fix = "Correct the labels or remove the property."
        raise InputError("vertex property tooth", got, need, fix, file)
    return numbers.astype(np.int16)


def lines_of(data: bytes) -> Iterator[bytes]:
    """Lines one by one, so that a file of many short or one huge line takes no more memory."""
    if data.count(b"\n") > 4 * MAX_ROWS:
        raise ValueError(f"more than {4 * MAX_ROWS} lines")
    stream = io.BytesIO(data)
    while line := stream.readline(MAX_LINE_BYTES + 1):
        if len(line) > MAX_LINE_BYTES:
            raise ValueError(f"a line of more than {MAX_LINE_BYTES} characters")
        yield line


def parse_obj(data: bytes, file: Path) -> Parsed:
    """Read vertices and faces of an OBJ; materials, textures and groups are ignored."""
    points, triangles = array("d"), array("q")
    bad = "vertex or face lines that cannot be read"
    try:
        for line in lines_of(data.replace(b"\\\n", b" ")):
            kind, *words = line.split() or [b""]
            if kind == b"v":
                if len(words) < 3:
                    raise ValueError(bad)
                points.extend(map(float, words[:3]))
            elif kind == b"f":
                seen = len(points) // 3
                ids = [int(w.split(b"/", 1)[0]) for w in words]
                ids = [i - 1 if i > 0 else seen + i if i < 0 else -1 for i in ids]
                if len(ids) < 3:
                    raise ValueError(bad)
                for k in range(1, len(ids) - 1):
                    triangles.extend((ids[0], ids[k], ids[k + 1]))
                check_rows(max(len(points), len(triangles)) // 3)
    except OverflowError:
        raise broken(file, "faces that name no vertex of the file", "an OBJ file") from None
    except ValueError as error:
        got = str(error) if str(error).startswith(("a line", "more")) else bad
        raise broken(file, got, "an OBJ file") from None
    return checked(np.array(points), np.array(triangles, np.int64), None, file)


def check_rows(rows: int) -> None:
    """Refuse more vertices or triangles than any scan has."""
    if rows > MAX_ROWS:
        raise ValueError(f"more than {MAX_ROWS} vertices or triangles")


def parse_off(data: bytes, file: Path) -> Parsed:
    """Read an OFF file; colours are ignored."""
    rows = (words for line in lines_of(data) if (words := line.split(b"#", 1)[0].split()))
    points, corners, counts = array("d"), array("q"), array("q")
    try:
        head = next(rows, [])
        if not head or head[0].upper() not in (b"OFF", b"COFF"):
            raise ValueError("no OFF header")
        promised = head[1:] or next(rows, [])
        if len(promised) < 2:
            raise ValueError("no counts of vertices and faces")
        n_points, n_faces = map(int, promised[:2])
        if not (0 <= n_points <= len(data) and 0 <= n_faces <= len(data)):
            raise ValueError("a header whose counts do not fit the file")
        check_rows(max(n_points, n_faces))
        for _ in range(n_points):
            words = next(rows, [])
            if len(words) < 3:
                raise ValueError("fewer vertices than promised")
            points.extend(map(float, words[:3]))
        for done in range(n_faces):
            words = next(rows, [])
            n = int(words[0]) if words else 0
            if n < 3 or len(words) <= n:
                raise ValueError("fewer faces than promised, or a face without its corners")
            corners.extend(map(int, words[1 : n + 1]))
            counts.append(n)
            check_rows(len(corners) - 2 * (done + 1))
        faces = fan(np.array(corners, np.int64), np.array(counts, np.int64))
    except (ValueError, OverflowError) as error:
        known = str(error).startswith(("a ", "fewer", "more", "no "))
        got = str(error) if known else "words in place of numbers"
        raise broken(file, f"a truncated or inconsistent OFF: {got}", "a whole OFF file") from None
    return checked(np.array(points), faces, None, file)


def checked(
    vertices: FloatArray, faces: NDArray[np.int64], tooth: NDArray[np.int16] | None, file: Path
) -> Parsed:
    """Refuse a mesh without vertices, or whose faces name others than there are."""
    vertices, faces = vertices.reshape(-1, 3), faces.reshape(-1, 3)
    if not len(vertices):
        raise broken(file, "no vertices", "a mesh with vertices and faces")
    if len(faces) and not (faces.min() >= 0 and faces.max() < len(vertices)):
        got = f"faces that name vertices outside 0 to {len(vertices) - 1}"
        raise broken(file, got, "faces that name existing vertices")
    return vertices, faces, tooth


PARSERS: dict[str, Callable[[bytes, Path], Parsed]] = {
    ".stl": parse_stl,
    ".ply": parse_ply,
    ".obj": parse_obj,
    ".off": parse_off,
}
"""Readers by file name extension; nothing else is opened."""


def write_ply(
    vertices_mm: FloatArray,
    faces: NDArray[np.integer],
    tooth: NDArray[np.integer],
    path: Path | str,
    fields: Mapping[str, NDArray] | None = None,
    *,
    what: str = "cast",
    single: bool = False,
) -> None:
    """Write a mesh as a binary PLY with its tooth labels and more values a vertex.

    Parameters
    ----------
    vertices_mm, faces, tooth : ndarray, shape (n, 3), (m, 3) and (n,)
        As in :class:`kinematics.casts.cast.Cast`.
    path : Path or str
        Replaced atomically.
    fields : mapping of str to ndarray, shape (n,), optional
        More vertex properties, written as 32-bit floats, for example ``high_um``.
    what : str
        Said in the file's comment.
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
        if values.shape != (len(vertices_mm),):
            raise ValueError(f"{name}: one value a vertex is needed")
    real, word = ("<f4", "float") if single else ("<f8", "double")
    layout = [(axis, real) for axis in "xyz"] + [("tooth", "<i2")] + [(n, "<f4") for n in extra]
    points = np.empty(len(vertices_mm), np.dtype(layout))
    for k, axis in enumerate("xyz"):
        points[axis] = vertices_mm[:, k]
    points["tooth"] = tooth
    for name, values in extra.items():
        points[name] = values
    rows = np.empty(len(faces), np.dtype([("n", "u1"), ("ids", "<i4", 3)]))
    rows["n"], rows["ids"] = 3, faces
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment {what}, mm; tooth: ISO 3950 number, 0 for none",
        f"element vertex {len(points)}",
        *(f"property {word} {axis}" for axis in "xyz"),
        "property short tooth",
        *(f"property float {name}" for name in extra),
        f"element face {len(rows)}",
        "property list uchar int vertex_indices",
        "end_header\n",
    ]
    body = points.tobytes() + rows.tobytes()
    write_file(file, "\n".join(header).encode("ascii") + body, Refusal("output"))
