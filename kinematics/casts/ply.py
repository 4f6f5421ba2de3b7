"""PLY, ASCII and binary: bytes to coordinates, polygons and labels, within bounds."""

from __future__ import annotations

import re
import struct
import warnings
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from kinematics.base.arrays import FloatArray

MAX_ROWS = 10_000_000
"""Most vertices or triangles of a mesh (ours): fifty times a dense scan of an arch."""
HEADER_BYTES = 65_536
KINDS = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2",
    "ushort": "u2", "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
"""Number types of a PLY header and their numpy codes."""
CODES = {"i1": "b", "u1": "B", "i2": "h", "u2": "H", "i4": "i", "u4": "I", "f8": "d"}
TOO_FEW = "fewer rows than the header promises"
FORMS = {
    "ascii": (True, "="), "binary_little_endian": (False, "<"), "binary_big_endian": (False, ">")
}  # fmt: skip
"""Whether the rows are text, and their byte order."""
FACE_LISTS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True)
class Property:
    """One property of an element; ``count`` is the type of a list's length, else empty."""

    name: str
    kind: str
    count: str = ""


@dataclass
class Element:
    """One element of a header, and its rows once they are read."""

    name: str
    length: int
    properties: list[Property] = field(default_factory=list)
    columns: dict[str, NDArray] = field(default_factory=dict)
    lists: dict[str, tuple[NDArray, NDArray]] = field(default_factory=dict)


def read_ply(data: bytes) -> tuple[FloatArray, NDArray[np.int64], FloatArray | None]:
    """Read a PLY file.

    Parameters
    ----------
    data : bytes
        The whole file.

    Returns
    -------
    vertices : ndarray, shape (n, 3)
    faces : ndarray of int64, shape (m, 3)
        Polygons are cut into fans; indices are not checked.
    labels : ndarray, shape (n,), or None
        The vertex property ``tooth``.

    Raises
    ------
    ValueError
        In words that follow "got": what of the file is not as the header or the format has it.

    Notes
    -----
    *Guarantee*: memory grows with the bytes that are there, never with a number in the file.
    """
    ascii_rows, order, elements, start = read_header(data)
    if ascii_rows:
        flat = ascii_numbers(data[start:])
        body = flat.data.cast("B") if len(flat) else memoryview(b"")
        order = "="
        for e in elements:
            e.properties = [Property(p.name, "f8", "f8" if p.count else "") for p in e.properties]
    else:
        body = memoryview(data)[start:]
    at = 0
    for element in elements:
        at = read_rows(element, body, at, order)
    if at != len(body):
        raise ValueError("more numbers than the header promises")
    by_name = {e.name: e for e in elements}
    if len(by_name) < len(elements):
        raise ValueError("one element twice in the header")
    absent = Element("", 0)
    columns, lists = by_name.get("vertex", absent).columns, by_name.get("face", absent).lists
    if not {"x", "y", "z"} <= columns.keys():
        raise ValueError("no vertices with x, y and z")
    points = np.stack([columns[c].astype(np.float64) for c in "xyz"], axis=1)
    named = [n for n in FACE_LISTS if n in lists]
    if not named:
        raise ValueError("no faces")
    labels = columns.get("tooth")
    return points, fan(*lists[named[0]]), None if labels is None else labels.astype(np.float64)


def fan(corners: NDArray, counts: NDArray) -> NDArray[np.int64]:
    """Cut polygons into triangles that share each polygon's first corner.

    Parameters
    ----------
    corners : ndarray, shape (sum of counts,)
        Whole numbers.
    counts : ndarray, shape (n,)
        Corners of each polygon.

    Raises
    ------
    ValueError
        A corner that is not a whole number, fewer than three corners, too many triangles.
    """
    counts = counts.astype(np.int64)
    if len(counts) and counts.min() < 3:
        raise ValueError("a face with fewer than three corners")
    cuts = counts - 2
    if cuts.sum() > MAX_ROWS:
        raise ValueError(f"{cuts.sum()} triangles (at most {MAX_ROWS})")
    if corners.dtype.kind == "f" and not (
        (np.abs(corners) < 2**53).all() and (np.floor(corners) == corners).all()
    ):
        raise ValueError("corners that are not whole numbers")
    whole = corners.astype(np.int64)
    if len(counts) and (counts == 3).all():
        return whole.reshape(-1, 3)
    first = np.repeat(np.cumsum(counts) - counts, cuts)
    step = np.arange(cuts.sum()) - np.repeat(np.cumsum(cuts) - cuts, cuts)
    return np.stack([whole[first], whole[first + step + 1], whole[first + step + 2]], axis=1)


def ascii_numbers(text: bytes) -> FloatArray:
    """Numbers of a text, separated by white space.

    Raises
    ------
    ValueError
        Something that is not a number.
    """
    if not text.strip():
        return np.zeros(0)
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)
        try:
            return np.fromstring(text, dtype=np.float64, sep=" ")
        except (DeprecationWarning, ValueError):
            raise ValueError("text in place of numbers") from None


def read_header(data: bytes) -> tuple[bool, str, list[Element], int]:
    """Whether ASCII, byte order, elements and where the rows start."""
    found = re.search(rb"\n[ \t]*end_header[ \t]*\r?\n", data[:HEADER_BYTES])
    if not data.startswith(b"ply") or found is None:
        raise ValueError("content without a PLY header")
    form: tuple[bool, str] | None = None
    elements: list[Element] = []
    for raw in data[: found.start()].splitlines()[1:]:
        words = raw.decode("latin-1").split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format" and len(words) == 3 and words[1] in FORMS:
            form = FORMS[words[1]]
        elif words[0] == "element" and len(words) == 3:
            elements.append(Element(words[1], element_length(words[2], len(data))))
        elif words[0] == "property" and elements and len(words) == 3 and words[1] in KINDS:
            elements[-1].properties.append(Property(words[2], KINDS[words[1]]))
        elif (
            words[:2] == ["property", "list"] and elements and len(words) == 5
            and KINDS.get(words[2], "f")[0] != "f" and words[3] in KINDS
        ):  # fmt: skip
            elements[-1].properties.append(Property(words[4], KINDS[words[3]], KINDS[words[2]]))
        else:
            raise ValueError(f"the header line {' '.join(words)[:40]!r}")
    if form is None:
        raise ValueError("a header without a known format")
    return *form, elements, found.end()


def element_length(word: str, size: int) -> int:
    """An element's number of rows, within what the file can hold."""
    if not re.fullmatch(r"[0-9]{1,18}", word):
        raise ValueError(f"a header that promises {word[:20]!r} elements")
    length = int(word)
    if length > min(size, MAX_ROWS):
        raise ValueError(f"a header that promises {length} elements in {size} bytes")
    return length


def read_rows(element: Element, body: memoryview, at: int, order: str) -> int:
    """Read an element's rows from byte ``at``; return where they end."""
    names = [p.name for p in element.properties]
    if len(set(names)) < len(names):
        raise ValueError("one property twice in the header")
    if not element.length:
        none = np.zeros(0, np.int64)
        element.lists = {p.name: (none, none) for p in element.properties if p.count}
        element.columns = {p.name: np.zeros(0) for p in element.properties if not p.count}
    if not element.length or not names:
        return at
    layout: list[tuple] = []
    first = at  # lists are taken to be as long as those of the first row, until shown otherwise
    for i, p in enumerate(element.properties):
        if p.count:
            n = list_length(p, body, first, order)
            first += int(p.count[1]) + n * int(p.kind[1])
            layout += [(f"{i}n", order + p.count), (f"{i}", order + p.kind, (n,))]
        else:
            first += int(p.kind[1])
            layout.append((f"{i}", order + p.kind))
    row = np.dtype(layout)
    end = at + element.length * row.itemsize
    listed = [i for i, p in enumerate(element.properties) if p.count]
    if end > len(body) and not listed:
        raise ValueError(TOO_FEW)
    rows = np.frombuffer(body, row, element.length, at) if end <= len(body) else None
    if rows is None or any((rows[f"{i}n"] != rows[f"{i}n"][0]).any() for i in listed):
        return read_ragged(element, body, at, order)
    for i, p in enumerate(element.properties):
        if p.count:
            element.lists[p.name] = (rows[f"{i}"].reshape(-1), rows[f"{i}n"])
        else:
            element.columns[p.name] = rows[f"{i}"]
    return end


def list_length(p: Property, body: memoryview, at: int, order: str) -> int:
    """Length of the list that begins at byte ``at`` and lies within the file."""
    start = at + int(p.count[1])
    if start > len(body):
        raise ValueError(TOO_FEW)
    n = struct.unpack_from(order + CODES[p.count], body, at)[0]
    if not 0 <= n <= len(body) or n != int(n):
        raise ValueError("a list whose length is no whole number")
    if start + int(n) * int(p.kind[1]) > len(body):
        raise ValueError(TOO_FEW)
    return int(n)


def read_ragged(element: Element, body: memoryview, at: int, order: str) -> int:
    """Read rows whose lists differ in length; only the corners of faces are kept."""
    flat, counts = bytearray(), []
    kept = next((p for p in element.properties if p.count and p.name in FACE_LISTS), None)
    for _ in range(element.length):
        for p in element.properties:
            size = int(p.kind[1])
            if p.count:
                n = list_length(p, body, at, order)
                at += int(p.count[1])
                size *= n
            if p is kept:
                flat += body[at : at + size]
                counts.append(n)
            at += size
    if at > len(body):
        raise ValueError(TOO_FEW)
    if kept is not None:
        values = np.frombuffer(bytes(flat), order + kept.kind)
        element.lists[kept.name] = (values, np.array(counts, np.int64))
    return at
