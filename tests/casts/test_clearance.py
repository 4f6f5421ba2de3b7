"""Signed clearance against an independent library, brute force, and where the sign is known."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.casts.cast import Cast
from kinematics.casts.clearance import surface_of
from tests.makers.casts import scan


def cast(mesh, arch="upper"):
    return Cast(arch, mesh.vertices, mesh.faces, np.zeros(len(mesh.vertices), dtype=np.int16))


def bumpy(seed):
    """A closed blob, neither convex nor symmetric."""
    ball = trimesh.creation.icosphere(subdivisions=3, radius=5.0)
    rng = np.random.default_rng(seed)
    waves = rng.normal(size=(6, 3))
    size = 1.0 + 0.12 * np.sin(ball.vertices @ waves.T).sum(axis=1) / 2.0
    ball.vertices = ball.vertices * size[:, None]
    return ball


def brute_mm(points, mesh):
    """Least distance of each point to every triangle, one by one (trimesh's own formula)."""
    out = np.full(len(points), np.inf)
    for triangle in mesh.triangles:
        every = np.broadcast_to(triangle, (len(points), 3, 3))
        near = trimesh.triangles.closest_point(every, points)
        out = np.minimum(out, np.linalg.norm(near - points, axis=1))
    return out


@pytest.mark.parametrize("seed", range(4))
def test_it_is_the_signed_distance_of_an_independent_library(seed):
    """Oracle: trimesh's signed distance (positive inside), whose sign comes from ray casting."""
    pytest.importorskip("rtree", reason="RTREE ABSENT: the independent distance check did not run")
    mesh = bumpy(seed)
    points = np.random.default_rng(seed).uniform(-7.0, 7.0, size=(300, 3))
    theirs = -trimesh.proximity.signed_distance(mesh, points)
    ours, face = surface_of(cast(mesh)).clearance(points, 20.0)
    np.testing.assert_allclose(ours, theirs, atol=1e-9)
    assert (theirs < 0.0).sum() > 30
    at = trimesh.triangles.closest_point(mesh.triangles[face], points)
    np.testing.assert_allclose(np.linalg.norm(at - points, axis=1), np.abs(ours), atol=1e-9)


@pytest.mark.parametrize("limit", [0.3, 1.0, 4.0])
def test_beyond_the_limit_it_is_infinite_on_either_side(limit):
    mesh = bumpy(9)
    points = np.random.default_rng(1).uniform(-8.0, 8.0, size=(200, 3))
    true = brute_mm(points, mesh)
    gap, face = surface_of(cast(mesh)).clearance(points, limit)
    near = true <= limit
    np.testing.assert_allclose(np.abs(gap[near]), true[near], atol=1e-9)
    assert np.isinf(gap[~near]).all()
    assert (gap[~near] > 0.0).all()
    assert ((face >= 0) == near).all()


CUBE = trimesh.creation.box(extents=(2.0, 2.0, 2.0))


@pytest.mark.parametrize(
    ("point", "expected"),
    [
        ([0.0, 0.0, 1.5], 0.5),
        ([0.0, 0.0, 0.75], -0.25),
        ([2.0, 2.0, 0.0], np.sqrt(2.0)),  # off an edge
        ([2.0, 2.0, 2.0], np.sqrt(3.0)),  # off a corner
        ([0.999, 0.999, 0.999], -0.001),
        ([1.0, 1.0, 1.0], 0.0),
        ([1.0 + 1e-9, 1.0 + 1e-9, 1.0], np.sqrt(2.0) * 1e-9),
        ([1.0 - 1e-9, 0.5, 0.3], -1e-9),
    ],
)
def test_faces_edges_and_corners_of_a_cube(point, expected):
    gap, _ = surface_of(cast(CUBE)).clearance([point], 5.0)
    assert gap[0] == pytest.approx(expected, abs=1e-15)


def test_a_spike_has_an_inside_although_one_of_its_faces_turns_away():
    """Nearest to a sharp tip two faces disagree on the side; the corner's own normal decides."""
    spike = trimesh.convex.convex_hull([[0, 0, 0], [0.2, 0, 5], [-0.2, 0.1, 5], [0, -0.2, 5]])
    for point, sign in (([0.05, 0.0, -0.2], 1.0), ([0.3, 0.0, -0.1], 1.0), ([0, -0.02, 4.0], -1.0)):
        gap, _ = surface_of(cast(spike)).clearance([point], 9.0)
        assert np.sign(gap[0]) == sign


def test_over_the_rim_of_an_open_surface_nothing_counts_as_inside():
    sheet = trimesh.Trimesh([[0, 0, 0], [4, 0, 0], [4, 4, 0], [0, 4, 0]], [[0, 1, 2], [0, 2, 3]])
    gap, _ = surface_of(cast(sheet)).clearance(
        [[2.0, 1.0, 0.5], [2.0, 1.0, -0.5], [5.0, 2.0, -0.5], [-1.0, -1.0, -1.0]], 9.0
    )
    np.testing.assert_allclose(gap, [0.5, -0.5, np.hypot(1.0, 0.5), np.sqrt(3.0)], atol=1e-12)


@given(st.integers(0, 10_000))
@settings(max_examples=25)
def test_it_does_not_change_when_everything_moves(seed):
    rng = np.random.default_rng(seed)
    mesh = bumpy(seed % 5)
    move = RigidTransform.from_components(rng.normal(size=3) * 40.0, Rotation.random(rng=rng))
    points = rng.uniform(-7.0, 7.0, size=(40, 3))
    here, _ = surface_of(cast(mesh)).clearance(points, 3.0)
    there, _ = surface_of(cast(mesh).moved(move)).clearance(move.apply(points), 3.0)
    np.testing.assert_allclose(here, there, atol=1e-9)


def test_corners_that_are_stored_twice_and_triangles_without_area_do_no_harm():
    """As in an STL: every triangle has its own corners."""
    soup = CUBE.triangles.reshape(-1, 3)
    faces = [*np.arange(len(soup)).reshape(-1, 3).tolist(), [0, 0, 1], [4, 5, 4]]
    doubled = Cast("upper", soup, np.array(faces), np.zeros(len(soup), dtype=np.int16))
    points = np.random.default_rng(2).uniform(-2.0, 2.0, size=(200, 3))
    one, _ = surface_of(cast(CUBE)).clearance(points, 9.0)
    other, _ = surface_of(doubled).clearance(points, 9.0)
    np.testing.assert_allclose(one, other, atol=1e-12)


def test_on_a_real_scan_it_is_the_nearest_of_all_triangles():
    """Oracle: every triangle of the closed pair's upper against points of its lower."""
    upper, lower = scan("closed", "upper"), scan("closed", "lower")
    points = lower.vertices_mm[np.random.default_rng(5).integers(0, len(lower.vertices_mm), 60)]
    mesh = trimesh.Trimesh(upper.vertices_mm, upper.faces, process=False)
    true = brute_mm(points, mesh)
    gap, _ = surface_of(upper).clearance(points, 100.0)
    np.testing.assert_allclose(np.abs(gap), true, atol=1e-9)
