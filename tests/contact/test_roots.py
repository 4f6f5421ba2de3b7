"""Exact roots of single feature pairs, in cases that can be solved by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kinematics.base.axis import HingeAxis
from kinematics.contact.first_contact import FirstContact, first_contact, prepare
from kinematics.contact.roots import nearest

# The axis is the y axis; closing takes +x towards +z (x anterior, z superior).
AXIS = HingeAxis((0.0, 50.0, 0.0), (0.0, -50.0, 0.0))
EPS_MM = 1e-6


def solve(
    upper: list, lower: list, *, axis: HingeAxis = AXIS, max_closing_deg: float = 60.0
) -> FirstContact:
    u, v = np.array(upper, float).reshape(-1, 3), np.array(lower, float).reshape(-1, 3)
    pair = prepare(u, np.arange(len(u)).reshape(-1, 3), v, np.arange(len(v)).reshape(-1, 3))
    return first_contact(pair, axis, max_closing_deg=max_closing_deg)


def ceiling(z: float) -> list:
    """A large horizontal face of the upper at height z."""
    return [[-200, -300, z], [300, -300, z], [50, 600, z]]


def tip(x: float, z: float, y: float = 0.0) -> list:
    """A small triangle of the lower that hangs from one vertex at (x, y, z)."""
    return [[x, y, z], [x + 0.1, y + 0.3, z - 2], [x - 0.1, y - 0.3, z - 2]]


def test_a_vertex_meets_a_face_at_the_angle_whose_sine_is_height_over_radius() -> None:
    answer = solve(ceiling(5.0), tip(100.0, 0.0))
    assert answer.status == "contact"
    assert answer.kind == "vertex_face"
    assert math.radians(answer.closing_deg) == pytest.approx(math.asin(5 / 100), abs=1e-14)
    np.testing.assert_allclose(answer.point_mm, [math.sqrt(100**2 - 25), 0, 5], atol=1e-12)


def test_a_face_of_the_lower_meets_a_vertex_of_the_upper() -> None:
    floor = [[-200, -300, 0], [300, -300, 0], [50, 600, 0]]
    answer = solve([[80, 0, 6], [80.1, 0.3, 9], [79.9, -0.3, 9]], floor)
    assert answer.kind == "face_vertex"
    assert math.radians(answer.closing_deg) == pytest.approx(math.atan2(6, 80), abs=1e-14)
    np.testing.assert_allclose(answer.point_mm, [80, 0, 6], atol=1e-12)


def test_crossed_edges_meet_at_equal_height_and_radius() -> None:
    # Upper edge radial at z = 4 over y = 0; lower edge along y at x = 70, z = 0: ridges that cross.
    answer = solve(
        [[40, 0, 4], [120, 0, 4], [80, 0, 30]],
        [[70, -3, 0], [70, 3, 0], [70, 0, -9]],
    )
    assert answer.kind == "edge_edge"
    assert math.radians(answer.closing_deg) == pytest.approx(math.asin(4 / 70), abs=1e-14)
    np.testing.assert_allclose(answer.point_mm, [math.sqrt(70**2 - 16), 0, 4], atol=1e-6)


@pytest.mark.parametrize(
    ("shift", "status"), [(-1, "contact"), (0, "contact"), (1, "none_in_range")]
)
def test_a_grazing_vertex_touches_up_to_its_own_radius(shift: int, status: str) -> None:
    answer = solve(
        ceiling(100.0 + shift * EPS_MM),
        [[100, 0, 0], [90, 0.3, -1], [90, -0.3, -1]],
        max_closing_deg=90.0 + 1e-6,
    )
    assert answer.status == status
    if status == "contact":
        expected = math.asin((100.0 + shift * EPS_MM) / 100.0)
        assert math.radians(answer.closing_deg) == pytest.approx(expected, abs=2e-8)


@pytest.mark.parametrize(
    ("shift", "status"), [(-1, "already_touching"), (0, "already_touching"), (1, "contact")]
)
def test_coplanar_faces_touch_at_the_start_until_they_are_apart(shift: int, status: str) -> None:
    lower = [[60, -3, 0], [66, -3, 0], [63, 3, 0]]
    upper = [[60, -3, shift * EPS_MM], [66, -3, shift * EPS_MM], [63, 3, shift * EPS_MM]]
    if shift < 0:  # below the lower's face: tilt it so that the two faces cross
        upper[1][2] = EPS_MM
    answer = solve(upper, lower)
    assert answer.status == status
    if status == "contact":  # the farthest point leads
        radius = 66.0
        assert math.radians(answer.closing_deg) == pytest.approx(EPS_MM / radius, rel=1e-6)


def test_parallel_edges_that_meet_all_along_have_one_angle() -> None:
    answer = solve(
        [[90, -5, 3], [90, 5, 3], [90, 0, 20]],
        [[math.sqrt(90**2 + 9), -5, 0], [math.sqrt(90**2 + 9), 5, 0], [90, 0, -20]],
    )
    assert answer.status == "contact"
    assert math.radians(answer.closing_deg) == pytest.approx(math.atan2(3, 90), abs=1e-12)


@pytest.mark.parametrize(
    ("shift", "status"), [(-1, "none_in_range"), (0, "contact"), (1, "contact")]
)
def test_a_radius_just_out_of_reach_is_missed(shift: int, status: str) -> None:
    # Upper edge along y at radius 50; the lower's farthest edge at radius 50 + shift.
    r = 50.0 + shift * EPS_MM
    answer = solve(
        [[50 * math.cos(0.3), -4, 50 * math.sin(0.3)], [50 * math.cos(0.3), 4, 50 * math.sin(0.3)],
         [90 * math.cos(0.3), 0, 90 * math.sin(0.3)]],
        [[r, -2, 0], [r, 2, 0], [10, 0, 0]],
    )  # fmt: skip
    assert answer.status == status
    if status == "contact":
        assert math.radians(answer.closing_deg) == pytest.approx(0.3, abs=1e-7)


@pytest.mark.parametrize(
    ("shift", "status"), [(-1, "contact"), (0, "contact"), (1, "none_in_range")]
)
def test_faces_in_planes_of_rotation_meet_only_in_one_plane(shift: int, status: str) -> None:
    # Both casts lie in planes y = const, where every point stays while it turns.
    upper = [[80, 0, 10], [90, 0, 10], [85, 0, 20]]
    lower = [[80, 0, 0], [90, 0, 0], [85, 0, -20]]
    y = shift * EPS_MM
    if shift < 0:  # lean across the plane, so that the edges pass through it
        lower = [[80, -EPS_MM, 0], [90, EPS_MM, 0], [85, 0, -20]]
    else:
        lower = [[x, y, z] for x, _, z in lower]
    answer = solve(upper, lower)
    assert answer.status == status
    if shift == 0:
        # The lower's corner (90, 0) and the upper's edge z = 10: radius 90 at height 10.
        assert math.radians(answer.closing_deg) == pytest.approx(math.asin(10 / 90), abs=1e-12)


@pytest.mark.parametrize(("x", "status"), [(0.0, "none_in_range"), (1e-3, "none_in_range")])
def test_a_vertex_on_the_axis_stays_where_it_is(x: float, status: str) -> None:
    lower = [[x, 0, 0], [-30, 1, -10], [-30, -1, -10]]  # the rest moves away from the face
    assert solve(ceiling(1.0), lower, max_closing_deg=5.0).status == status


def test_an_edge_that_meets_the_axis_is_met_outside_it() -> None:
    lower = [[-50, 0, 0], [50, 0, 0], [0, 0.1, -30]]  # passes through the axis
    answer = solve(ceiling(4.0), lower)
    assert math.radians(answer.closing_deg) == pytest.approx(math.asin(4 / 50), abs=1e-12)


def test_an_edge_along_the_axis_does_not_move() -> None:
    lower = [[0, -5, 0], [0, 5, 0], [40, 0, 0]]
    answer = solve([[-5, 0, 1], [5, 0, 1], [0, 1, 20]], lower, max_closing_deg=170.0)
    assert answer.status == "contact"
    assert math.radians(answer.closing_deg) == pytest.approx(math.atan2(1, 5), abs=1e-14)
    assert solve([[-5, 0, 1], [5, 0, 1], [0, 1, 20]], [[0, -5, 0], [0, 5, 0], [1e-13, 0, 0]],
                 max_closing_deg=170.0).status == "none_in_range"  # fmt: skip


def test_a_sliver_stops_like_the_edge_that_it_is() -> None:
    thin = [[70, -3, 0], [70, 3, 0], [70, 0, 1e-13]]
    degenerate = [[70, -3, 0], [70, 3, 0], [70, 0, 0]]
    doubled = [[70, -3, 0], [70, 3, 0], [70, 3, 0]]
    for lower in (thin, degenerate, doubled):
        answer = solve([[40, 0.5, 4], [120, 0.5, 4], [80, 0.5, 30]], lower)
        assert math.radians(answer.closing_deg) == pytest.approx(math.asin(4 / 70), abs=1e-12)


@pytest.mark.parametrize("width_mm", [0.0, 2e-13, 1e-12, 1e-11, 1e-9, 1e-6])
def test_past_the_tip_of_a_narrow_face_nothing_is_met(width_mm: float) -> None:
    """Both long sides' lines stay within the touching tolerance for a centimetre and more."""
    narrow = [[40, 0, 5], [41, 0, 5], [41, width_mm, 5]]
    r = math.hypot(30, 5)  # the lower's own tip passes x = 30, z = 5 after asin(5 / r), 9.46 deg
    answer = solve(narrow, [[r, 0, 0], [50, 4, -30], [50, -4, -30]])
    # In the plane y = 0 the lower is the line from (r, 0) to (50, -30); one of its points comes
    # to the narrow face's tip.
    x, z = 50 - r, -30
    s = np.roots([x * x + z * z, 2 * r * x, r * r - 40**2 - 5**2])
    s = float(s[(s > 0) & (s < 1)].item())
    expected = math.atan2(5, 40) - math.atan2(s * z, r + s * x)
    assert math.radians(answer.closing_deg) == pytest.approx(expected, abs=1e-12)
    np.testing.assert_allclose(answer.point_mm, [40, 0, 5], atol=1e-9)


def within(point: np.ndarray, triangle: list) -> bool:
    """Whether a point lies on a triangle, by its weights in a least-squares solution."""
    rows = np.vstack([np.array(triangle, float).T, np.ones(3)])
    weights, *_ = np.linalg.lstsq(rows, np.append(point, 1.0), rcond=None)
    return (
        bool(np.allclose(rows @ weights, np.append(point, 1.0), atol=1e-9))
        and weights.min() > -1e-9
    )


def test_faces_that_touch_in_one_plane_share_the_point_that_is_named() -> None:
    upper = [[60, 0, 0], [70, 0, 0], [60, 10, 0]]
    rng, touching = np.random.default_rng(7), 0
    lowers = [[[55, 2, 0], [62, 2, 0], [55, 6, 0]]]  # one corner lies inside, no other
    lowers += [
        np.c_[rng.uniform(50, 72, 3), rng.uniform(-5, 12, 3), np.zeros(3)] for _ in range(60)
    ]
    for lower in lowers:
        answer = solve(upper, lower)
        if answer.status == "already_touching":
            touching += 1
            assert within(answer.point_mm, upper)
            assert within(answer.point_mm, lower)
    assert touching > 20


@pytest.mark.parametrize("angle", [1.0, 1e-3, 1e-6, 1e-8, 1e-11, 0.0])
def test_the_gap_of_edges_that_are_nearly_parallel_is_true_to_rounding(angle: float) -> None:
    """Two edges in planes a height apart that cross, seen from above, at their middles."""
    rng = np.random.default_rng(3)
    for height in (0.0, 1e-9, 0.5):
        turn = np.linalg.qr(rng.normal(0, 1, (3, 3)))[0]
        p = np.array([[-1.0, 0, 0], [1, 0, 0]]) @ turn.T
        q = np.array(
            [[-math.cos(angle), -math.sin(angle), 0], [math.cos(angle), math.sin(angle), 0]]
        )
        q = (q + np.array([0, 0, height])) @ turn.T
        share, gap2 = nearest(*map(tuple, (*p, *q)))
        assert math.sqrt(gap2) == pytest.approx(height, abs=1e-15)
        if height == 0.0 < angle:
            assert share == pytest.approx(0.5, abs=1e-14 / angle)


def test_a_point_like_triangle_stops_at_a_face() -> None:
    answer = solve(ceiling(5.0), [[100, 0, 0]] * 3)
    assert math.radians(answer.closing_deg) == pytest.approx(math.asin(5 / 100), abs=1e-14)


def test_repeated_and_duplicate_faces_change_nothing() -> None:
    once = solve(ceiling(5.0), tip(100.0, 0.0))
    twice = solve(ceiling(5.0) * 3, tip(100.0, 0.0) * 2)
    assert twice.closing_deg == once.closing_deg


@pytest.mark.parametrize("gap_mm", [1e-3, 1e-6, 1e-9])
def test_a_start_a_hair_apart_is_a_contact_at_that_hair(gap_mm: float) -> None:
    answer = solve(ceiling(gap_mm), tip(100.0, 0.0))
    assert answer.status == "contact"
    assert math.radians(answer.closing_deg) == pytest.approx(gap_mm / 100, rel=1e-4)


def test_casts_that_touch_and_part_on_closing_count_as_touching() -> None:
    below = [[100, 0, 0], [101, 5, -3], [99, -5, -3]]
    floor = ceiling(0.0)
    moving_away = [[x, y, -z] for x, y, z in below]  # stands on the plane, moves up and off it
    assert solve(floor, moving_away).status == "already_touching"
    lifted = [[x, y, z + 1e-6] for x, y, z in moving_away]
    assert solve(floor, lifted).status == "none_in_range"
