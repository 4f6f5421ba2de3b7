import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis
from kinematics.case.tables import Marks
from kinematics.mounting.marks import axes_from_marks, side_extension, slip_cost

AXIS = HingeAxis(np.array([0.0, 55, 0]), np.array([0.0, -55, 0]))
number = st.floats(-20.0, 20.0).map(lambda v: round(v, 3))
KEYS = [
    f"{side}_{which}_{way}_mm"
    for side in ("left", "right")
    for which in ("arbitrary", "located")
    for way in ("anterior", "superior")
]


def marks(values, **more):
    table = {"face_landmark": "tragus", "facial_width_mm": 140.0, **more}
    return Marks.model_validate({**table, **dict(zip(KEYS, values, strict=True))})


@settings(max_examples=50, deadline=None)
@given(st.lists(number, min_size=8, max_size=8), number)
def test_only_the_difference_of_the_marks_of_a_side_counts(values, shift):
    moved = [v + shift if i % 2 == 0 else v for i, v in enumerate(values)]
    a, b = axes_from_marks(marks(values))[1], axes_from_marks(marks(moved))[1]
    assert np.allclose(a.left_point_mm, b.left_point_mm, atol=1e-9)
    assert np.allclose(a.right_point_mm, b.right_point_mm, atol=1e-9)


def test_tilted_ruler_turns_the_offsets_and_keeps_their_length():
    values = [10.0, 0, 0, 0, 0, 10.0, 0, 0]
    _, level = axes_from_marks(marks(values))
    true, tilted = axes_from_marks(marks(values, ruler_tilt_deg=30.0))
    assert level.left_point_mm.tolist() == [10.0, 70.0, 0.0]
    up = np.sqrt(3) / 2 * 10
    assert tilted.left_point_mm - true.left_point_mm == pytest.approx([up, 0, 5.0])
    assert tilted.right_point_mm - true.right_point_mm == pytest.approx([-5.0, 0, up])


@settings(max_examples=50, deadline=None)
@given(st.floats(80, 200), st.floats(80, 200), st.floats(-20, 20))
def test_side_extension_is_half_the_difference_and_a_slip_moves_none_of_it(w, s, slip):
    got = side_extension(w, s, slip)
    assert got.each_side_mm == pytest.approx((w - s) / 2)
    assert got.left_mm + got.right_mm == pytest.approx(w - s)
    assert got.left_mm - got.each_side_mm == pytest.approx(slip)


@settings(max_examples=50, deadline=None)
@given(st.floats(-20, 20), st.floats(-15, 15), st.floats(-15, 15))
def test_sideways_slip_costs_no_hinge_error_and_a_known_lateral_one(slip, closing, lateral):
    cost = slip_cost(AXIS, slip, closing_deg=closing, lateral_deg=lateral)
    assert cost.hinge_error_mm < 1e-12
    expected = 2 * np.sin(np.radians(abs(lateral)) / 2) * abs(slip)
    assert cost.lateral_mm == pytest.approx(expected, abs=1e-12)


def test_slip_on_a_skewed_axis_costs_no_hinge_error_either():
    skewed = HingeAxis(np.array([6.0, 55, -8]), np.array([-3.0, -55, 4]))
    assert slip_cost(skewed, 5.0, closing_deg=4.0, lateral_deg=5.0).hinge_error_mm < 1e-12


def test_slip_to_the_left_in_a_turn_to_the_left_shifts_teeth_backwards():
    # (V - I) s with V a turn by +5 deg about z and s = 2 mm to the left: -2 sin 5, 2 (cos 5 - 1).
    cost = slip_cost(AXIS, 2.0, closing_deg=1.0, lateral_deg=5.0)
    assert cost.lateral_anteroposterior_mm == pytest.approx(-2 * np.sin(np.radians(5)))
    assert cost.lateral_transverse_mm == pytest.approx(2 * (np.cos(np.radians(5)) - 1))
