"""Many departures at once equal one at a time; poses and placement keep their promises."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from kinematics.assessment import assess, assess_placed
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.closure.batch import arc
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import PREPARED, place
from kinematics.result import result_dict
from tests.makers.cases import landmarks_only, marks, open_pair
from tests.makers.strategies import axes, numbers, points
from tests.oracles import closure as oracle


@given(axes(), numbers(-40, 40), points())
def test_an_arc_holds_the_ends_of_one_transform_each(axis, angle, point):
    path = arc(axis, point, -angle, steps=2)
    np.testing.assert_allclose(path[0], point, atol=1e-10)
    np.testing.assert_allclose(path[2], opening_motion(axis, angle).apply(point), atol=1e-10)


@given(axes(6.0), numbers(-8, 8))
@settings(max_examples=25)
def test_many_departures_equal_the_closure_of_each_by_rigid_transforms(axis, departure):
    geometry = geometry_of(place(landmarks_only()))
    true, marks = geometry.true_axis, geometry.landmarks
    departures = np.array([departure, 0.5 * departure])
    theta = geometry.record_openings_deg(departures) - geometry.target_opening_deg
    for row, angle in enumerate(theta):
        pin = opening_motion(true, angle).apply(geometry.pin_tip_target_mm)
        phi = {
            "equal_angle": angle,
            "pin": oracle.pin_closing(true, axis, float(angle), pin),
            "contact": 1.5,
        }
        for stop, closing in phi.items():
            both = np.stack([theta, np.full(2, 1.5)], axis=1)
            many = geometry.closed(stop, axis, departures, contact_closing_deg=both)
            told = oracle.stop_result(
                stop, true, axis, float(angle), closing, marks.points_mm, marks.normals
            )
            np.testing.assert_allclose(many.error_mm[row], told.error_mm, atol=1e-9)
            np.testing.assert_allclose(many.high_mm[row], told.high_mm, atol=1e-9)


@given(axes(6.0))
@settings(max_examples=25)
def test_one_closing_is_the_closure_by_rigid_transforms(axis):
    geometry = geometry_of(place(landmarks_only()))
    true, theta, marks = geometry.true_axis, geometry.true_closing_deg, geometry.landmarks
    phi = oracle.pin_closing(true, axis, theta, geometry.pin_tip_record_mm)
    told = oracle.stop_result("pin", true, axis, theta, phi, marks.points_mm, marks.normals)
    one = geometry.result("pin", axis)
    assert one.closing_deg == pytest.approx(phi, abs=1e-10)
    for name in ("error_mm", "articulator_mm", "high_mm"):
        np.testing.assert_allclose(getattr(one, name), getattr(told, name), atol=1e-10)
    moved = one.error_motion.apply(marks.points_mm)
    np.testing.assert_allclose(moved, one.articulator_mm, atol=1e-10)


def test_a_pin_that_cannot_reach_the_height_is_refused_with_its_reach():
    geometry = geometry_of(place(landmarks_only()))
    beside = HingeAxis([129.0, 55.0, -38.0], [129.0, -55.0, -38.0])
    with pytest.raises(InputError, match=r"circle of radius .* mm about the axis"):
        geometry.result("pin", beside)


@given(numbers(-8, 8))
@settings(max_examples=25)
def test_a_departure_is_the_height_of_the_incisors_at_the_record(departure):
    geometry = geometry_of(place(landmarks_only()))
    opening = float(geometry.record_openings_deg(np.array([departure]))[0])
    theta = opening - geometry.target_opening_deg
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

    monkeypatch.setattr("kinematics.closure.place.load_casts", refuse)
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
    by_mm = geometry_of(place(landmarks_only()))
    by_angle = geometry_of(place(landmarks_only(record={"opening_deg": by_mm.record_opening_deg})))
    assert by_angle.true_closing_deg == by_mm.true_closing_deg
    at_pin = geometry_of(place(landmarks_only(record={"thickness_mm": 3.0, "site": "pin"})))
    assert at_pin.record_opening_deg < by_mm.record_opening_deg


def test_an_opening_beyond_any_mandible_is_refused():
    with pytest.raises(InputError, match=r"record"):
        geometry_of(place(landmarks_only(record={"opening_deg": 50.0})))


def test_a_placed_case_is_placed_anew_where_its_casts_or_points_change():
    placed = place(landmarks_only())
    moved = landmarks_only(landmarks=marks(("31 edge", 31, [91.0, 0.0, -35.0])))
    assert placed.with_case(moved).landmarks.names == ("31 edge", "incisal point")
    elsewhere = landmarks_only()
    elsewhere._folder = Path("/elsewhere")
    assert placed.with_case(elsewhere).case is elsewhere
