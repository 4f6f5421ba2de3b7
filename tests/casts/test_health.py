"""Mesh health: each fault is counted on a mesh made with exactly that fault."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.casts.cast import Cast
from kinematics.casts.health import check_cast, check_pair, findings
from tests.makers.casts import scan

BOX = trimesh.creation.box(extents=(60.0, 50.0, 20.0)).subdivide()


def cast_of(vertices=BOX.vertices, faces=BOX.faces, arch="lower", tooth=None):
    n = len(vertices)
    return Cast(arch, vertices, faces, np.zeros(n, int) if tooth is None else tooth)


def levels(cast):
    return [f.level for f in findings(check_cast(cast))]


def test_sound_mesh_has_no_findings():
    health = check_cast(cast_of())
    assert findings(health) == []
    assert health.watertight
    assert (health.pieces, health.holes, health.boundary_edges) == (1, 0, 0)
    assert health.low_mm == (-30, -25, -10)
    assert health.high_mm == (30, 25, 10)
    assert health.mean_edge_mm == pytest.approx(BOX.edges_unique_length.mean())


@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(0, len(BOX.faces) - 1), min_size=1, max_size=10))
def test_inverted_faces_are_counted_exactly(flipped):
    faces = BOX.faces.copy()
    faces[list(flipped)] = faces[list(flipped)][:, ::-1]
    health = check_cast(cast_of(faces=faces))
    assert health.inverted_faces == len(flipped)
    assert not health.watertight


def test_mesh_inside_out_has_every_face_inverted():
    health = check_cast(cast_of(faces=BOX.faces[:, ::-1]))
    assert health.inverted_faces == len(BOX.faces)
    assert "face inwards" in findings(health)[0].message


@settings(max_examples=25, deadline=None)
@given(st.sets(st.integers(0, len(BOX.faces) - 1), min_size=1, max_size=8))
def test_boundary_edges_agree_with_a_general_library(removed):
    faces = np.delete(BOX.faces, list(removed), axis=0)
    mesh = trimesh.Trimesh(BOX.vertices, faces, process=False)
    health = check_cast(cast_of(faces=faces))
    edges = np.sort(mesh.edges, axis=1)
    _, count = np.unique(edges, axis=0, return_counts=True)
    assert health.boundary_edges == (count == 1).sum()
    assert 1 <= health.holes <= len(removed)
    assert not health.watertight


def test_two_holes_apart_are_two():
    faces = np.delete(BOX.faces, [0, len(BOX.faces) - 1], axis=0)
    shared = set(BOX.faces[0]) & set(BOX.faces[-1])
    assert not shared
    health = check_cast(cast_of(faces=faces))
    assert (health.holes, health.boundary_edges) == (2, 6)


def test_pieces_duplicates_degenerates_and_nonmanifold_edges_are_counted():
    far = np.vstack([BOX.vertices, BOX.vertices + 200])
    two = cast_of(far, np.vstack([BOX.faces, BOX.faces + len(BOX.vertices)]))
    assert check_cast(two).pieces == 2
    doubled = check_cast(cast_of(faces=np.vstack([BOX.faces, BOX.faces[:3][:, [1, 2, 0]]])))
    assert doubled.duplicate_faces == 3
    assert doubled.nonmanifold_edges >= 3
    a, b = BOX.faces[0][:2]
    flat = check_cast(cast_of(faces=np.vstack([BOX.faces, [[a, a, b]]])))
    assert flat.degenerate_faces == 1
    fin = np.vstack([BOX.vertices, [[0, 0, 100.0]]])
    finned = check_cast(cast_of(fin, np.vstack([BOX.faces, [[a, b, len(BOX.vertices)]]])))
    assert finned.nonmanifold_edges == 1


def test_unusable_meshes_are_errors_with_a_remedy():
    empty = cast_of(np.zeros((3, 3)), np.zeros((0, 3), int))
    single = cast_of(np.eye(3) * 50, [[0, 1, 2]])
    flat = cast_of(np.zeros((3, 3)), [[0, 1, 2], [0, 2, 1]])
    nan = BOX.vertices.copy()
    nan[7, 1] = np.nan
    for cast, text in [
        (empty, "no triangles"),
        (single, "single triangle"),
        (flat, "zero area"),
        (cast_of(nan), "not finite"),
    ]:
        first = findings(check_cast(cast))[0]
        assert first.level == "error"
        assert text in first.message
        assert first.fix
    assert check_cast(cast_of(nan)).nonfinite_vertices == 1
    assert levels(cast_of()) == []


def pair(gap=1.0, sideways=0.0):
    upper = cast_of(BOX.vertices + np.array([0, sideways, 10 + gap / 2]), arch="upper")
    lower = cast_of(BOX.vertices - np.array([0, 0, 10 + gap / 2]), arch="lower")
    return upper, lower


def test_pair_in_order_has_no_findings_and_swapped_is_an_error():
    upper, lower = pair()
    assert check_pair(upper, lower) == []
    swapped = check_pair(lower, upper)
    assert swapped[0].level == "error"
    assert "Exchange the two files" in swapped[0].fix
    assert check_pair(upper, lower, up_hint=(0, 0, -1))[0].level == "error"


@pytest.mark.parametrize("gap", [-1e-6, 0.0, 1e-6])
def test_pair_just_touching_is_in_order(gap):
    assert check_pair(*pair(gap)) == []


def test_arches_far_apart_or_beside_each_other_are_warned_about():
    assert "40 mm apart" in check_pair(*pair(gap=40))[0].message
    assert "sideways" in check_pair(*pair(sideways=30))[0].message


def test_upside_down_teeth_and_numbers_of_the_other_arch_are_errors():
    upper, lower = pair()
    top = np.where(lower.vertices_mm[:, 2] > -5, 36, 0)
    bottom = np.where(lower.vertices_mm[:, 2] < -15, 36, 0)
    right_way = cast_of(lower.vertices_mm, tooth=top)
    assert check_pair(upper, right_way) == []
    assert "point away" in check_pair(upper, cast_of(lower.vertices_mm, tooth=bottom))[0].message
    wrong = cast_of(lower.vertices_mm, tooth=np.where(top > 0, 16, 0))
    assert "numbers of the other arch" in check_pair(upper, wrong)[0].message


def test_real_pairs_are_in_order_and_swapped_ones_are_found():
    for name, up in [("open", (0, 0, 1)), ("closed", (0, 1, 0))]:
        upper, lower = scan(name, "upper"), scan(name, "lower")
        assert check_pair(upper, lower, up) == []
        assert check_pair(lower, upper, up)[0].level == "error"


def test_real_scan_health_agrees_with_its_description():
    upper, lower = check_cast(scan("open", "upper")), check_cast(scan("open", "lower"))
    # From the scans' own README: 127 and 96 boundary edges, mean edge 1.15 mm.
    assert (upper.boundary_edges, lower.boundary_edges) == (127, 96)
    assert upper.mean_edge_mm == pytest.approx(1.15, abs=0.02)
    assert (upper.inverted_faces, lower.inverted_faces) == (0, 0)
