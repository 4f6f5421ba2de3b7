"""PLY faces of mixed polygons, with and without other lists beside the corners."""

from __future__ import annotations

import struct

import numpy as np
import pytest

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
