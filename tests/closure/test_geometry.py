"""Many departures at once equal one at a time; poses and placement keep their promises."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from kinematics.assessment import assess, assess_placed
from kinematics.base.axis import opening_motion
from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.closure.place import PREPARED, place
from kinematics.closure.stops import openings_to_height, rotated_about
from kinematics.result import result_dict
from tests.makers.cases import landmarks_only, marks, open_pair
from tests.makers.strategies import axes, numbers, points


@given(axes(), numbers(-40, 40), points())
def test_many_rotations_equal_one_transform_each(axis, angle, point):
    expected = opening_motion(axis, angle).apply(point)
    many = rotated_about(axis, np.array([angle, 0.0]), point[None])
    np.testing.assert_allclose(many[0, 0], expected, atol=1e-10)
    np.testing.assert_allclose(many[1, 0], point, atol=1e-10)


def test_heights_out_of_reach_are_nan_and_the_others_are_not():
    axis = place(landmarks_only()).mounting.true_axis
    turns = openings_to_height(axis, np.array([[90.0, 0, -35.0]]), np.array([-38.0, -400.0]))
    assert np.isfinite(turns[0])
    assert np.isnan(turns[1])


@given(axes(6.0), numbers(-8, 8))
@settings(max_examples=25)
def test_departure_errors_equal_the_stop_by_stop_path(axis, departure):
    geometry = place(landmarks_only()).geometry()
    theta = geometry.closing_for_departure(np.array([departure]))
    for stop in ("equal_angle", "pin"):
        one = geometry.closed_form(stop, axis, float(theta[0]))
        many = geometry.departure_errors(stop, axis, theta)
        np.testing.assert_allclose(many[0], one.magnitude_mm, atol=1e-9)
    at = geometry.at_angle("contact", axis, float(theta[0]), 1.5)
    many = geometry.departure_errors("contact", axis, theta, np.array([1.5]))
    np.testing.assert_allclose(many[0], at.magnitude_mm, atol=1e-9)


@given(numbers(-8, 8))
@settings(max_examples=25)
def test_a_departure_is_the_height_of_the_incisors_at_the_record(departure):
    geometry = place(landmarks_only()).geometry()
    theta = float(geometry.closing_for_departure(np.array([departure]))[0])
    target = geometry.landmarks.incisal_point_mm
    record = opening_motion(geometry.true_axis, theta).apply(target)
    assert record[2] - target[2] == pytest.approx(departure, abs=1e-10)


def test_a_changed_case_gives_what_placing_it_anew_gives(scans):
    placed = place(open_pair(scans))
    assess_placed(placed)
    changes = (
        ("arbitrary_axis.left_anterior_mm", 7.5),
        ("decision.tolerance_mm", 0.1),
        ("mounting.third_point_mm.2", 130.0),
    )
    for field, value in changes:
        changed = set_field(placed.case, field, value)
        quick = result_dict(assess_placed(placed.with_case(changed)))
        assert quick == result_dict(assess(changed)), field


def test_a_change_of_numbers_reads_no_file_again(scans, monkeypatch):
    placed = place(open_pair(scans))

    def refuse(case):
        raise AssertionError("the casts were read again")

    monkeypatch.setattr("kinematics.closure.scans.load_casts", refuse)
    changed = set_field(placed.case, "mounting.third_point_mm.2", 130.0)
    moved = placed.with_case(changed)
    assert not np.allclose(moved.landmarks.points_mm, placed.landmarks.points_mm)


def test_a_change_of_the_decision_keeps_what_was_prepared(scans):
    placed = place(open_pair(scans))
    assert len(PREPARED) == 3
    before = [getattr(placed, name) for name in PREPARED]
    changed = placed.with_case(set_field(placed.case, "decision.tolerance_mm", 0.1))
    for name, value in zip(PREPARED, before):
        assert getattr(changed, name) is value, name


def test_an_axis_through_the_casts_is_refused(scans):
    far = {"left_anterior_mm": 50.0, "right_anterior_mm": 50.0}
    down = {"left_superior_mm": -30.0, "right_superior_mm": -30.0}
    case = open_pair(scans, arbitrary_axis={**far, **down})
    with pytest.raises(InputError, match=r"arbitrary_axis: got an axis .* mm from the"):
        place(case)


def test_record_forms_agree_on_the_opening():
    by_mm = place(landmarks_only()).poses()
    by_angle = place(landmarks_only(record={"opening_deg": by_mm.record_opening_deg})).poses()
    assert by_angle.true_closing_deg == by_mm.true_closing_deg
    at_pin = place(landmarks_only(record={"thickness_mm": 3.0, "site": "pin"})).poses()
    assert at_pin.record_opening_deg < by_mm.record_opening_deg


def test_an_opening_beyond_any_mandible_is_refused():
    with pytest.raises(InputError, match=r"record"):
        place(landmarks_only(record={"opening_deg": 50.0})).poses()


def test_a_placed_case_is_placed_anew_where_its_casts_or_points_change():
    placed = place(landmarks_only())
    moved = landmarks_only(landmarks=marks(("31 edge", 31, [91.0, 0.0, -35.0])))
    assert placed.with_case(moved).landmarks.names == ("31 edge", "incisal point")
    elsewhere = landmarks_only()
    elsewhere._folder = Path("/elsewhere")
    assert placed.with_case(elsewhere).case is elsewhere
