"""The hierarchy's discs and the test that dismisses pairs of them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.contact.descent import apart, axis_frame, placed, wave_range
from kinematics.contact.hierarchy import build_hierarchy
from tests.benchmarks.meshes import bumpy_arch
from tests.contact.test_first_contact import random_sheet, random_soup
from tests.oracles.independent import closed

AXIS = HingeAxis((0.0, 55.0, 0.0), (0.0, -55.0, 0.0))


def faces_below(tree, node: int) -> list[int]:  # type: ignore[no-untyped-def]
    """Faces of a node's subtree, by walking it."""
    stack, out = [node], []
    while stack:
        n = stack.pop()
        r = int(tree.right[n])
        if r < 0:
            out.append(-1 - r)
        else:
            stack += [n + 1, r]
    return out


@pytest.mark.parametrize("size", [1, 2, 3, 7, 64, 1000])
def test_every_face_is_one_leaf_and_depth_is_logarithmic(size: int) -> None:
    v, f = random_soup(np.random.default_rng(size), size, 2.0, lattice=False)
    tree = build_hierarchy(v, f, "cast")
    assert sorted(faces_below(tree, 0)) == list(range(size))
    assert len(tree.right) == 2 * size - 1
    depth, level = 0, [0]
    while level:
        level = [c for n in level if tree.right[n] >= 0 for c in (n + 1, int(tree.right[n]))]
        depth += bool(level)
    assert depth <= math.ceil(math.log2(size)) + 1


SHAPES = {
    "acute": ([0, 0, 0], [4, 0, 0], [2, 3, 0], 13.0 / 6.0),  # circumradius a b c / (4 area)
    "right": ([0, 0, 0], [3, 0, 0], [0, 4, 0], 2.5),
    "obtuse at b": ([0, 0, 0], [4, 1, 0], [8, 0, 0], 4.0),
    "obtuse at a": ([4, 1, 0], [0, 0, 0], [8, 0, 0], 4.0),
    "obtuse at c": ([0, 0, 0], [8, 0, 0], [4, 1, 0], 4.0),
    "sliver": ([0, 0, 0], [5, 0, 0], [10, 0, 0], 5.0),
    "point": ([1, 2, 3], [1, 2, 3], [1, 2, 3], 0.0),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_leaf_s_disc_is_the_smallest_circle_around_its_triangle(shape: str) -> None:
    *corners, radius = SHAPES[shape]
    tree = build_hierarchy(np.array(corners, dtype=float) + 20.0, [[0, 1, 2]], "upper")
    assert float(tree.discs[0, 7]) == pytest.approx(radius, abs=1e-5)


def test_larger_discs_come_within_a_few_percent_of_the_smallest_circle() -> None:
    """Against scipy's minimax of the distances in the disc's own plane."""
    rng = np.random.default_rng(3)
    for _ in range(10):
        points = rng.normal(0.0, [5.0, 3.0, 0.3], (60, 3))
        tree = build_hierarchy(points, np.arange(60).reshape(20, 3), "upper")
        disc = tree.discs[0].astype(float)
        n = disc[3:6] / np.linalg.norm(disc[3:6])
        flat = points - np.outer(points @ n, n)
        _, _, rows = np.linalg.svd(n[None])
        plane = flat @ rows[1:].T
        best = minimize(
            lambda c, at=plane: np.linalg.norm(at - c, axis=1).max(),
            plane.mean(axis=0), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10},
        ).fun  # fmt: skip
        assert best * (1.0 - 1e-6) <= disc[7] <= 1.05 * best


@pytest.mark.parametrize("size", [1e-60, 1e-82, 1e-100, 1e-170])
def test_a_triangle_too_small_for_its_squares_still_has_a_disc(size: float) -> None:
    rng = np.random.default_rng(4)
    for _ in range(20):
        corners = np.array([[0, 0, 0], [1, 0, 0], [0.5, 0.9, 0]]) * rng.uniform(0.5, 1.0, (3, 3))
        disc = build_hierarchy(corners * size, [[0, 1, 2]], "lower").discs[0]
        assert np.abs(disc[:3]).max() < 1e-30
        assert disc[7] == pytest.approx(1e-9)


@pytest.mark.parametrize("number", [2.0, np.nan])
def test_vertex_numbers_that_are_no_whole_numbers_are_refused(number: float) -> None:
    """NaN is below no bound and above none, and as an integer it may be any."""
    with pytest.raises(InputError, match="whole numbers"):
        build_hierarchy(np.eye(3), [[0.0, 1.0, number]], "upper")


@pytest.mark.parametrize("off_mm", [0.0, 1e-9, 2e-6, 1e-3, 0.9, 1.1, 60.0])
def test_the_axis_frame_is_a_rotation_however_near_the_axis_it_points(off_mm: float) -> None:
    rng = np.random.default_rng(5)
    for _ in range(50):
        left, right = rng.normal(0, 60, (2, 3))
        along = (right - left) / np.linalg.norm(right - left)
        across = np.cross(along, rng.normal(0, 1, 3))
        across *= off_mm / np.linalg.norm(across)
        frame = np.empty((4, 3))
        axis_frame(left, right, 0.5 * (left + right) + 30.0 * along + across, frame)
        np.testing.assert_allclose(frame[:3] @ frame[:3].T, np.eye(3), atol=2e-13)
        assert np.linalg.det(frame[:3]) == pytest.approx(1.0)
        np.testing.assert_allclose(frame[2], along, atol=1e-15)
        np.testing.assert_allclose(
            frame[:3] @ left + frame[3], [0, 0, -0.5 * np.linalg.norm(right - left)], atol=1e-12
        )


@pytest.mark.parametrize("lattice", [False, True])
def test_discs_hold_their_faces(lattice: bool) -> None:
    v, f = random_soup(np.random.default_rng(3), 200, 2.0, lattice=lattice)
    tree = build_hierarchy(v + 70, f, "cast")
    for node in range(len(tree.right)):
        disc = tree.discs[node].astype(float)
        p = tree.vertices[tree.faces[faces_below(tree, node)]].reshape(-1, 3) - disc[:3]
        n = disc[3:6] / np.linalg.norm(disc[3:6])
        along = p @ n
        assert np.abs(along).max() <= disc[6]
        assert np.linalg.norm(p - along[:, None] * n, axis=1).max() <= disc[7]


def test_equal_vertices_become_one_and_every_feature_has_one_owner() -> None:
    sheet = random_sheet(np.random.default_rng(1), 6)
    soup = sheet[0][sheet[1]].reshape(-1, 3)
    tree = build_hierarchy(soup, np.arange(len(soup)).reshape(-1, 3), "cast")
    used = np.unique(tree.faces)
    assert len(used) == len(sheet[0])
    vertices, edges = [], []
    for face, bits in zip(tree.faces, tree.owned):
        vertices += [int(face[k]) for k in range(3) if bits >> k & 1]
        edges += [
            tuple(sorted((int(face[k]), int(face[(k + 1) % 3])))) for k in range(3) if bits >> k & 8
        ]
    assert sorted(vertices) == used.tolist()
    all_edges = {
        tuple(sorted((int(f[k]), int(f[(k + 1) % 3])))) for f in tree.faces for k in range(3)
    }
    assert sorted(edges) == sorted(all_edges)


def test_negative_zero_is_the_same_place_as_zero() -> None:
    v = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [-0.0, 0, 0], [1, -0.0, 0], [0, 0, 1]])
    tree = build_hierarchy(v, [[0, 1, 2], [3, 4, 5]], "cast")
    assert tree.faces[1, 0] == tree.faces[0, 0]
    assert tree.faces[1, 1] == tree.faces[0, 1]


@given(p=st.floats(-9, 9), q=st.floats(-9, 9), end=st.floats(0, 3.1))
def test_wave_range_is_the_range(p, q, end) -> None:  # type: ignore[no-untyped-def]
    lo, hi = wave_range(p, q, math.cos(end), math.sin(end))
    t = np.linspace(0, end, 2001)
    values = p * np.cos(t) + q * np.sin(t)
    assert lo <= values.min() + 1e-12
    assert hi >= values.max() - 1e-12
    assert lo == pytest.approx(values.min(), abs=1e-4)
    assert hi == pytest.approx(values.max(), abs=1e-4)


@given(seed=st.integers(0, 100_000), end=st.floats(1e-3, 3.0))
def test_parts_that_meet_are_never_called_apart(seed, end) -> None:  # type: ignore[no-untyped-def]
    """Small random parts, the lower put so that it does touch at some angle in the range."""
    rng = np.random.default_rng(seed)
    frame = np.empty((4, 3))
    axis_frame(AXIS.left_point_mm, AXIS.right_point_mm, np.array([60.0, 0, 0]), frame)
    scale = rng.choice([0.1, 1.0, 10.0])
    parts = []
    for _ in range(2):
        v = rng.normal(0, 1, (6, 3)) * scale * np.array([1, 1, rng.choice([1e-3, 1.0])])
        turn = np.linalg.qr(rng.normal(0, 1, (3, 3)))[0]
        parts.append(v @ turn.T + [60.0, 0, 0])
    t = float(rng.uniform(0, end))
    meeting = parts[1][rng.integers(0, 6)]
    shift = parts[0][rng.integers(0, 6)] - closed(
        meeting[None], AXIS.left_point_mm, AXIS.right_point_mm, t
    )
    back = closed(parts[1], AXIS.left_point_mm, AXIS.right_point_mm, t) + shift
    lower = closed(back, AXIS.left_point_mm, AXIS.right_point_mm, -t)
    f = np.array([[0, 1, 2], [3, 4, 5]])
    u = placed(build_hierarchy(parts[0], f, "upper").discs[0], frame)
    v = placed(build_hierarchy(lower, f, "lower").discs[0], frame)
    assert not apart(u, v, end, math.cos(end), math.sin(end), 0.0, 0.0)


@pytest.mark.parametrize("end", [1e-3, 0.05, 1.0])
def test_parts_that_meet_once_a_point_has_strayed_are_never_called_apart(end: float) -> None:
    """As above, the lower then moved by its greatest stray, across and along the axis (y)."""
    rng = np.random.default_rng(6)
    frame, f = np.empty((4, 3)), np.array([[0, 1, 2], [3, 4, 5]])
    axis_frame(AXIS.left_point_mm, AXIS.right_point_mm, np.array([60.0, 0, 0]), frame)
    clear = 0
    for _ in range(400):
        across, along = 10.0 ** rng.uniform(-2, 1, 2)
        way, side = rng.uniform(0, 2 * np.pi), rng.choice([-1.0, 1.0])
        stray = np.array([across * np.cos(way), side * along, across * np.sin(way)])
        parts = []
        turn = np.linalg.qr(rng.normal(0, 1, (3, 3)))[0]
        for _ in range(2):  # flat, and nearly parallel
            tilt = np.linalg.qr(turn + rng.normal(0, 0.01, (3, 3)))[0]
            v = rng.normal(0, 1, (6, 3)) * np.array([1, 1, 1e-3])
            parts.append(v @ tilt.T + [60.0, 0, 0])
        t = float(rng.uniform(0, end))
        meeting = parts[1][rng.integers(0, 6)]
        ends = AXIS.left_point_mm, AXIS.right_point_mm
        shift = parts[0][rng.integers(0, 6)] - stray - closed(meeting[None], *ends, t)
        lower = closed(closed(parts[1], *ends, t) + shift, *ends, -t)
        u = placed(build_hierarchy(parts[0], f, "upper").discs[0], frame)
        v = placed(build_hierarchy(lower, f, "lower").discs[0], frame)
        ct, st_ = math.cos(end), math.sin(end)
        assert not apart(u, v, end, ct, st_, across, along)
        clear += apart(u, v, end, ct, st_, 0.1 * across, 0.1 * along)
    assert clear > 40


def test_most_far_parts_are_called_apart() -> None:
    upper, lower = bumpy_arch(4000)
    trees = [build_hierarchy(*m, "cast") for m in (upper, lower)]
    frame = np.empty((4, 3))
    axis_frame(AXIS.left_point_mm, AXIS.right_point_mm, upper[0].mean(0), frame)
    leaves = [np.flatnonzero(t.right < 0) for t in trees]
    rng = np.random.default_rng(1)
    clear = sum(
        apart(
            placed(trees[0].discs[rng.choice(leaves[0])], frame),
            placed(trees[1].discs[rng.choice(leaves[1])], frame),
            0.05, math.cos(0.05), math.sin(0.05), 0.0, 0.0,
        )
        for _ in range(500)
    )  # fmt: skip
    assert clear > 450
