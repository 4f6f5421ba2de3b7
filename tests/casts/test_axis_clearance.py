"""How near an axis runs to a cast: cells against every triangle."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis
from kinematics.case.read import read_case
from kinematics.casts.cast import Cast
from kinematics.casts.clearance import CastClearance, axes_in_casts, axis_to_triangles_mm
from kinematics.closure.place import place
from tests.makers.strategies import axes, motions, points

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])


@pytest.fixture(scope="module")
def lower(demo_case_path):
    return place(read_case(demo_case_path)).lower


def test_only_near_cells_are_looked_into_and_the_distance_is_that_over_all_triangles(lower):
    known, corners = CastClearance(lower), lower.vertices_mm[lower.faces]
    rng = np.random.default_rng(7)
    seen = {"near": 0, "far": 0, "cut": 0}
    low, high = lower.vertices_mm.min(axis=0), lower.vertices_mm.max(axis=0)
    for _ in range(120):
        at, way = rng.uniform(low - 30.0, high + 30.0), rng.normal(size=3)
        way *= 50.0 / np.linalg.norm(way)
        axis = HingeAxis(at + way, at - way)
        exact = axis_to_triangles_mm(axis, corners)
        near = known.nearer_than(axis, 10.0)
        if near is None:
            assert exact >= 10.0
        else:
            assert near == pytest.approx(exact, abs=1e-9)
        seen["cut" if exact == 0.0 else "near" if exact < 10.0 else "far"] += 1
    assert min(seen.values()) > 5


@pytest.mark.parametrize("middle_mm", [70.0, 0.0])
@pytest.mark.parametrize(("height_mm", "refused"), [(9.999, True), (10.001, False)])
def test_the_limit_is_ten_millimetres_from_the_surface_not_from_a_vertex(
    height_mm, refused, middle_mm
):
    square = np.array([[-20, -30, 0], [20, -30, 0], [20, 30, 0], [-20, 30, 0]], dtype=float)
    square[:, 0] += middle_mm
    cast = Cast("lower", square, np.array([[0, 1, 2], [0, 2, 3]]), np.zeros(4))
    x = middle_mm + 1.0
    axis = HingeAxis([x, 40.0, height_mm], [x, -40.0, height_mm])
    found = axes_in_casts([CastClearance(cast)], [("arbitrary_axis", axis)])
    assert [f.where for f in found] == (["arbitrary_axis"] if refused else [])
    assert axis.distance_mm(square).min() > 20.0


def test_a_cast_without_triangles_is_never_near():
    cast = Cast("lower", np.zeros((1, 3)), np.zeros((0, 3)), np.zeros(1))
    axis = HingeAxis([0.0, 50.0, 0.0], [0.0, -50.0, 0.0])
    assert CastClearance(cast).nearer_than(axis, 10.0) is None


@given(axes(), st.lists(points(), min_size=3, max_size=9), motions())
def test_distance_to_triangles_is_the_least_over_their_points(axis, corners, motion):
    n = len(corners) // 3
    triangles = np.array(corners[: 3 * n]).reshape(n, 3, 3)
    found = axis_to_triangles_mm(axis, triangles)
    a, b = np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41))
    keep = a + b <= 1
    weights = np.stack([1 - a[keep] - b[keep], a[keep], b[keep]], axis=1)
    sampled = axis.distance_mm(np.einsum("sw,mwc->msc", weights, triangles)).min()
    size = np.linalg.norm(np.ptp(triangles, axis=1), axis=1).max()
    assert sampled - size / 40 - 1e-9 <= found <= sampled + 1e-9
    moved = axis_to_triangles_mm(
        axis.transformed(motion), motion.apply(triangles.reshape(-1, 3)).reshape(n, 3, 3)
    )
    assert moved == pytest.approx(found, abs=1e-8)


def test_a_line_through_a_large_triangle_has_distance_zero():
    triangle = np.array([[[-500.0, 3, -500], [500, 3, -500], [0, 3, 900]]])
    assert axis_to_triangles_mm(TRUE, triangle) == 0.0
    assert axis_to_triangles_mm(TRUE, triangle + np.array([0.0, 0.0, 600.0])) == pytest.approx(
        100.0
    )
