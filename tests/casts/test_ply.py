"""PLY faces of mixed polygons, with and without other lists beside the corners."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.casts.formats import PARSERS
from kinematics.casts.ply import fan, read_ply

POINTS = np.array(
    [[50 * np.cos(a), 50 * np.sin(a), 3.0] for a in np.linspace(0, 5, 7)], dtype=np.float32
)
POLYGONS = ([0, 1, 2, 3], [2, 3, 4], [0, 4, 5, 6, 1], [6, 5, 4], [1, 2, 6, 5])
TRIANGLES = [
    [polygon[0], polygon[i], polygon[i + 1]]
    for polygon in POLYGONS
    for i in range(1, len(polygon) - 1)
]
HEAD = """ply
format binary_{}_endian 1.0
element vertex 7
property float x
property float y
property float z
element face 5
{}end_header
"""


def test_mixed_polygons_are_cut_from_their_own_first_corners():
    corners = np.array([c for polygon in POLYGONS for c in polygon])
    counts = np.array([len(polygon) for polygon in POLYGONS])
    assert fan(corners, counts).tolist() == TRIANGLES


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("other", [None, "before", "after"])
def test_mixed_polygons_of_a_binary_file_are_read_whatever_other_list_stands_beside(order, other):
    sign = "<" if order == "little" else ">"
    names = {"before": ["weights", "vertex_indices"], "after": ["vertex_indices", "weights"]}
    lists = names.get(other or "", ["vertex_indices"])
    kinds = {"weights": "float", "vertex_indices": "int"}
    head = HEAD.format(order, "".join(f"property list uchar {kinds[n]} {n}\n" for n in lists))
    body = POINTS.astype(sign + "f4").tobytes()
    for polygon in POLYGONS:
        for name in lists:
            values = polygon if name == "vertex_indices" else [0.25] * (7 - len(polygon))
            code = "i" if name == "vertex_indices" else "f"
            body += struct.pack(f"{sign}B{len(values)}{code}", len(values), *values)
    points, faces, _ = read_ply(head.encode() + body)
    np.testing.assert_array_equal(points, POINTS)
    assert faces.tolist() == TRIANGLES


VERTEX = "element vertex 4\nproperty float x\nproperty float y\nproperty float z\n"

CORNERS = struct.pack("<12f", 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0)


def binary_ply(header: str, body: bytes) -> bytes:
    head = f"ply\nformat binary_little_endian 1.0\n{VERTEX}{header}end_header\n"
    return head.encode() + CORNERS + body


def test_faces_of_several_lengths_among_other_lists_and_numbers_are_read():
    header = (
        "element face 2\nproperty uchar red\nproperty list uchar float texture\n"
        "property list uchar int vertex_indices\n"
        "element edge 0\nproperty int a\nproperty list uchar int b\n"
    )
    body = struct.pack("<BB2fB4i", 9, 2, 0.5, 0.5, 4, 0, 1, 2, 3)
    body += struct.pack("<BBB3i", 9, 0, 3, 0, 1, 3)
    _, faces, _ = PARSERS[".ply"](binary_ply(header, body), Path("a.ply"))
    assert faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 3]]


@pytest.mark.parametrize(
    ("header", "body", "words"),
    [
        ("property list char int vertex_indices\n", struct.pack("<b3i", -1, 0, 1, 2), "no whole"),
        (
            "property list uchar double vertex_indices\n",
            struct.pack("<B3d", 3, 0.0, 1.0, 1e300),
            "not whole numbers",
        ),
    ],
)
def test_lists_that_cannot_be_are_refused(header, body, words):
    with pytest.raises(InputError, match=words):
        PARSERS[".ply"](binary_ply("element face 1\n" + header, body), Path("a.ply"))
