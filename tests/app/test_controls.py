"""What the viewer's controls do to a case."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.closure.close import close
from kinematics.closure.place import place
from tests.makers.cases import landmarks_only, open_pair
from viewer.app.controls import OFFSETS, axis_note, changed, control_values, number, offsets

SMALL = st.floats(-12.0, 12.0).map(lambda v: round(v, 3))


def read(case):
    return close(place(case))


def test_the_controls_show_the_offsets_and_the_departure_of_the_case():
    reading = read(landmarks_only())
    values = control_values(reading)
    assert values["left_anterior_mm"] == 5.0
    assert values["right_superior_mm"] == 0.0
    assert values["departure_mm"] == -3.0
    assert values["stop"] == "pin"


@settings(max_examples=25)
@given(st.floats(-9.0, 9.0).map(lambda v: round(v, 2)))
def test_a_departure_set_is_the_departure_read_back(departure):
    reading = read(landmarks_only())
    again = read(changed(reading, "departure_mm", departure))
    assert control_values(again)["departure_mm"] == pytest.approx(departure, abs=2e-4)


@settings(max_examples=25)
@given(departure=st.floats(-9.0, 9.0), vdo=st.floats(-3.0, 3.0))
def test_the_departure_moves_the_record_and_leaves_the_target(departure, vdo):
    case = landmarks_only(target={"vdo_change_mm": vdo, "site": "incisors"})
    reading = read(case)
    case = changed(reading, "departure_mm", departure)
    there = read(case)
    assert case.target == reading.case.target
    assert there.geometry.target_opening_deg == pytest.approx(reading.geometry.target_opening_deg)


def test_a_departure_of_zero_makes_record_and_target_one_pose():
    reading = read(landmarks_only())
    there = read(changed(reading, "departure_mm", 0))
    assert there.true_closing_deg == pytest.approx(0.0, abs=1e-9)


def test_casts_scanned_in_the_record_keep_the_record_and_move_the_target(scans):
    reading = read(open_pair(scans))
    case = changed(reading, "departure_mm", -4.0)
    assert case.record.as_scanned
    assert case.target.vdo_change_mm == -4.0
    again = read(case)
    assert control_values(again)["departure_mm"] == pytest.approx(-4.0, abs=2e-4)


@settings(max_examples=30)
@given(SMALL, SMALL, SMALL, SMALL)
def test_offsets_of_a_line_do_not_depend_on_which_of_its_points_were_given(a, b, c, d):
    true = HingeAxis([0, 55, 0], [0, -55, 0])
    left, right = np.array([a, 55.0, b]), np.array([c, -55.0, d])
    way = left - right
    other = HingeAxis(left + 0.4 * way, right + 0.2 * way)
    expected = [[a, b], [c, d]]
    assert np.allclose(offsets(true, HingeAxis(left, right)), expected)
    assert np.allclose(offsets(true, other), expected)


def test_an_axis_given_by_points_becomes_the_same_line_by_offsets():
    case = landmarks_only(
        arbitrary_axis={
            "left_point_mm": [4.0, 50.0, -2.0],
            "right_point_mm": [6.0, -58.0, 1.0],
            "frame": "axis_orbital",
        }
    )
    reading = read(case)
    shown = control_values(reading)
    again = read(changed(reading, "left_anterior_mm", 9.0))
    for name in OFFSETS[1:]:
        assert control_values(again)[name] == pytest.approx(shown[name], abs=1e-4)
    assert control_values(again)["left_anterior_mm"] == 9.0


@pytest.mark.parametrize("text", ["", "abc", "nan", "inf", "1e999", "2;3", None])
def test_what_is_no_number_is_refused_with_the_control_s_name(text):
    with pytest.raises(InputError, match=r"tolerance_mm: got .* need a number"):
        number("tolerance_mm", text)


@pytest.mark.parametrize(("text", "value"), [("2,5", 2.5), (" −3 ", -3.0), ("1e-1", 0.1)])
def test_a_comma_and_a_true_minus_are_read(text, value):
    assert number("departure_mm", text) == value


@pytest.mark.parametrize(
    ("control", "value"),
    [
        ("left_anterior_mm", 77),
        ("tolerance_mm", 0),
        ("stop", "gravity"),
        ("departure_mm", 45),
        ("mounting", 1),
    ],
)
def test_values_out_of_range_are_refused(control, value):
    reading = read(landmarks_only())
    with pytest.raises(InputError):
        changed(reading, control, value)


MARKS = {
    "face_landmark": "tragus",
    "left_arbitrary_anterior_mm": 13.0,
    "left_arbitrary_superior_mm": 1.0,
    "left_located_anterior_mm": 10.0,
    "left_located_superior_mm": -2.0,
    "right_arbitrary_anterior_mm": 13.0,
    "right_arbitrary_superior_mm": 0.0,
    "right_located_anterior_mm": 11.5,
    "right_located_superior_mm": 1.0,
    "facial_width_mm": 140.0,
}


@pytest.mark.parametrize("tilt", [0.0, 17.0])
def test_in_a_case_of_skin_marks_a_slider_moves_the_arbitrary_mark_of_its_side(tilt):
    marks = MARKS | {"ruler_tilt_deg": tilt}
    case = landmarks_only(true_axis=None, arbitrary_axis=None, marks=marks)
    reading = read(case)
    shown = control_values(reading)
    moved = changed(reading, "left_superior_mm", -4.5)
    again = read(moved)
    assert control_values(again) == shown | {"left_superior_mm": -4.5}
    for name in MARKS:
        if name.startswith("left_arbitrary"):
            assert (getattr(moved.marks, name) != marks[name]) == (tilt > 0 or "sup" in name)
        else:
            assert getattr(moved.marks, name) == marks[name]
    short = reading.placed.with_case(moved)
    assert short.contacts is reading.placed.contacts  # nothing was prepared anew
    axis = again.arbitrary_axis
    assert np.array_equal(short.mounting.arbitrary_axis.left_point_mm, axis.left_point_mm)
    assert "skin marks" in axis_note(case)


def test_marks_that_move_the_true_axis_place_the_case_anew():
    case = landmarks_only(true_axis=None, arbitrary_axis=None, marks=MARKS)
    placed = place(case)
    wider = set_field(case, "marks.facial_width_mm", 150.0)
    again = placed.with_case(wider)
    assert again.contacts is not placed.contacts
    assert again.mounting.true_axis.width_mm == pytest.approx(150.0)
