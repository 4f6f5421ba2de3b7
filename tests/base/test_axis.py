"""Axis, frame and sign conventions: each test locks one line of DEVELOPERS.md."""

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import (
    HingeAxis,
    as_point,
    axis_orbital_from_points,
    closing_motion,
    opening_motion,
)
from kinematics.base.errors import InputError
from tests.makers.strategies import axes, motions, points

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])


def test_opening_lowers_an_anterior_point_and_is_right_handed_about_the_patients_left():
    incisor = np.array([90.0, 0.0, -35.0])
    opened = opening_motion(TRUE, 2.0).apply(incisor)
    by_hand = Rotation.from_euler("y", 2.0, degrees=True).apply(incisor)
    assert opened[2] < incisor[2]
    np.testing.assert_allclose(opened, by_hand, atol=1e-12)


def test_closing_is_the_inverse_of_opening():
    both = closing_motion(TRUE, 3.0) * opening_motion(TRUE, 3.0)
    np.testing.assert_allclose(both.as_matrix(), np.eye(4), atol=1e-14)


def test_ninety_degrees_of_opening_takes_anterior_to_inferior():
    np.testing.assert_allclose(
        opening_motion(TRUE, 90.0).apply([10.0, 4.0, 0.0]), [0.0, 4.0, -10.0], atol=1e-12
    )


@given(axes(), st.floats(-40, 40))
def test_points_of_the_axis_stay(axis, angle):
    motion = opening_motion(axis, angle)
    for point in (axis.left_point_mm, axis.right_point_mm, axis.midpoint_mm):
        np.testing.assert_allclose(motion.apply(point), point, atol=1e-10)


@given(axes(), st.floats(-40, 40), st.floats(-30, 30), points())
def test_sliding_along_the_line_changes_nothing(axis, angle, slide, point):
    shifted = HingeAxis(
        axis.left_point_mm + slide * axis.direction, axis.right_point_mm + slide * axis.direction
    )
    np.testing.assert_allclose(
        opening_motion(shifted, angle).apply(point),
        opening_motion(axis, angle).apply(point),
        atol=1e-10,
    )


@given(axes(), motions(), st.floats(-40, 40), points())
def test_rotation_moves_with_the_frame(axis, motion, angle, point):
    there = opening_motion(axis.transformed(motion), angle).apply(motion.apply(point))
    np.testing.assert_allclose(
        there, motion.apply(opening_motion(axis, angle).apply(point)), atol=1e-9
    )


def test_rotation_agrees_with_rodrigues_formula_in_high_precision():
    axis = HingeAxis([3.0, 52.0, -1.0], [-2.0, -51.0, 2.0])
    angle, point = 2.7, [48.0, 21.0, -36.0]
    with mpmath.workdps(50):
        left, right = (mpmath.matrix(list(p)) for p in (axis.left_point_mm, axis.right_point_mm))
        u = (left - right) / mpmath.norm(left - right)
        c = (left + right) / 2
        q = mpmath.matrix(point) - c
        t = mpmath.radians(mpmath.mpf(angle))
        cross = mpmath.matrix(
            [u[1] * q[2] - u[2] * q[1], u[2] * q[0] - u[0] * q[2], u[0] * q[1] - u[1] * q[0]]
        )
        dot = sum(u[i] * q[i] for i in range(3))
        exact = c + q * mpmath.cos(t) + cross * mpmath.sin(t) + u * dot * (1 - mpmath.cos(t))
        exact = [float(x) for x in exact]
    np.testing.assert_allclose(opening_motion(axis, angle).apply(point), exact, atol=1e-12)


def test_axis_orbital_puts_the_axis_on_y_and_the_third_point_in_the_xy_plane():
    left, right = np.array([10.0, 20.0, 30.0]), np.array([12.0, -80.0, 33.0])
    third = np.array([95.0, -20.0, 20.0])
    frame = axis_orbital_from_points(HingeAxis(left, right), third)
    half = 0.5 * np.linalg.norm(left - right)
    np.testing.assert_allclose(frame.apply(left), [0, half, 0], atol=1e-12)
    np.testing.assert_allclose(frame.apply(right), [0, -half, 0], atol=1e-12)
    seen = frame.apply(third)
    assert seen[0] > 0
    assert abs(seen[2]) < 1e-12


@given(axes(), motions())
def test_axis_orbital_does_not_depend_on_the_frame_the_points_came_in(axis, motion):
    third = axis.midpoint_mm + np.array([90.0, 5.0, -20.0])
    here = axis_orbital_from_points(axis, third)
    there = axis_orbital_from_points(axis.transformed(motion), motion.apply(third))
    np.testing.assert_allclose((there * motion).as_matrix(), here.as_matrix(), atol=1e-9)


def test_offsets_move_each_side_on_its_own():
    moved = TRUE.shifted(left_anterior_mm=4, left_superior_mm=-3, right_superior_mm=1)
    np.testing.assert_array_equal(moved.left_point_mm, [4, 55, -3])
    np.testing.assert_array_equal(moved.right_point_mm, [0, -55, 1])


@pytest.mark.parametrize("distance", [0.0, 19.9, 300.1, 2000.0])
def test_axis_points_that_coincide_or_lie_metres_apart_are_refused(distance):
    with pytest.raises(InputError, match=r"points .* mm apart.*20 to 300 mm"):
        HingeAxis([0, distance, 0], [0, 0, 0])


@pytest.mark.parametrize(
    "value",
    [[1, 2], [[1, 2, 3]], [1, 2, float("nan")], [1, float("inf"), 2], "abc", None, [1, "x", 2]],
)
def test_a_point_that_is_not_three_finite_numbers_is_refused(value):
    with pytest.raises(InputError, match=r"here: got .* need .*Give \[x, y, z\]"):
        as_point(value, "here")


def test_axis_arrays_are_copies_and_read_only():
    left = np.array([0.0, 55.0, 0.0])
    axis = HingeAxis(left, [0, -55, 0])
    left[0] = 9.0
    assert axis.left_point_mm[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        axis.left_point_mm[0] = 1.0


def test_a_third_point_on_the_axis_is_refused():
    with pytest.raises(InputError, match="third_point_mm"):
        axis_orbital_from_points(TRUE, [5.0, 0.0, 5.0])


def test_scipy_composition_applies_the_right_hand_motion_first():
    turn = RigidTransform.from_rotation(Rotation.from_euler("z", 90, degrees=True))
    shift = RigidTransform.from_translation([1.0, 0.0, 0.0])
    np.testing.assert_allclose((turn * shift).apply([0, 0, 0]), [0, 1, 0], atol=1e-15)
