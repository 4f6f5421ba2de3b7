"""Patient against articulator: where the error must vanish, and closed forms where it must not."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.closure.stops import error_motion
from kinematics.excursions.compare import excursion_errors
from kinematics.excursions.results import path_angles_deg
from kinematics.excursions.settings import DEFAULT_THIRD_MM
from tests.makers.cases import landmarks_only
from tests.makers.casts import open_pair_in_articulator

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
POINTS = np.array([[90.0, 0.0, -35.0], [50.0, 25.0, -35.0], [50.0, -25.0, -35.0]])
SETTINGS = ArticulatorSettings(
    intercondylar_mm=110.0,
    sagittal_inclination_left_deg=44.0,
    sagittal_inclination_right_deg=38.0,
    immediate_side_shift_left_mm=0.4,
    guide_radius_right_mm=25.0,
    incisal_sagittal_deg=15.0,
    incisal_lateral_deg=20.0,
)
OFFSET = st.floats(-8.0, 8.0)


def geometry(axis=TRUE, upper=None, lower=None):
    """``POINTS`` between the true axis and another; nothing is left to open or close."""
    placed = place(landmarks_only())
    mounting = replace(placed.mounting, arbitrary_axis=axis)
    return geometry_of(replace(placed, mounting=mounting, upper=upper, lower=lower))


def worst(errors):
    return max(float(np.abs(e.error_mm).max()) for e in errors.kinds.values())


def test_an_excursion_is_followed_in_twenty_steps_where_none_are_asked_for():
    got = excursion_errors(geometry(), settings=SETTINGS, kinds=("protrusion",))
    assert len(got.kinds["protrusion"].error_mm) == 21


@pytest.mark.parametrize("front_guide", ["with_casts", "own"])
@pytest.mark.parametrize("settings_from", ["same_angles", "records"])
@pytest.mark.parametrize("third", [DEFAULT_THIRD_MM, (60.0, 12.0, 0.0)])
def test_true_axis_and_true_plane_make_no_error(front_guide, settings_from, third):
    got = excursion_errors(
        geometry(), third_point_mm=third, settings=SETTINGS, steps=4,
        front_guide=front_guide, settings_from=settings_from,
    )  # fmt: skip
    assert worst(got) < 1e-9


@given(OFFSET, OFFSET, OFFSET, OFFSET)
@settings(max_examples=8, deadline=None)
def test_a_wrong_axis_always_starts_from_no_error_when_casts_are_put_together(a, b, c, d):
    axis = TRUE.shifted(
        left_anterior_mm=a, left_superior_mm=b, right_anterior_mm=c, right_superior_mm=d
    )
    got = excursion_errors(geometry(axis), settings=SETTINGS, steps=2, kinds=("left_lateral",))
    error = got.kinds["left_lateral"].error_mm
    np.testing.assert_allclose(error[0], 0.0, atol=1e-9)


@pytest.mark.parametrize("wrong_mm", [-12.0, 5.0, 20.0])
def test_a_wrong_third_point_makes_no_error_when_records_set_the_guides(wrong_mm):
    """Flat equal guides: the whole instrument turns about the true axis, and records see it."""
    flat = ArticulatorSettings(intercondylar_mm=110.0, incisal_sagittal_deg=15.0)
    given = {"third_point_mm": (80.0, 0.0, wrong_mm), "settings": flat, "kinds": ("protrusion",)}
    tilt = np.degrees(np.arctan2(wrong_mm, 80.0))
    got = excursion_errors(geometry(), steps=3, settings_from="records", **given)
    assert worst(got) < 1e-9
    found = got.articulator_settings.sagittal_inclination_left_deg
    assert found - flat.sagittal_inclination_left_deg == pytest.approx(tilt, abs=1e-8)
    # The same angles instead: an error that grows with the tilt.
    same = excursion_errors(geometry(), steps=3, **given)
    assert worst(same) > 0.003 * abs(wrong_mm)


@given(st.floats(0.0, 60.0), st.floats(-15.0, 15.0))
@settings(max_examples=15, deadline=None)
def test_a_wrong_third_point_turns_a_translation_by_the_tilt(h, wrong):
    """Guides and table alike: error = (R(tilt) - I) times the patient's move (derived here)."""
    alike = ArticulatorSettings(
        intercondylar_mm=110.0,
        sagittal_inclination_left_deg=h,
        sagittal_inclination_right_deg=h,
        incisal_sagittal_deg=h,
    )
    got = excursion_errors(
        geometry(),
        third_point_mm=(80.0, 0.0, wrong),
        settings=alike,
        steps=2,
        kinds=("protrusion",),
        front_guide="own",
    )
    tilt = np.arctan2(wrong, 80.0)
    move = 5.0 * np.array([np.cos(np.radians(h)), 0.0, -np.sin(np.radians(h))])
    # The plane rises forwards: in the patient's frame the articulator's path is turned upwards.
    expected = Rotation.from_rotvec([0.0, -tilt, 0.0]).apply(move) - move
    error = got.kinds["protrusion"].error_mm[-1]
    np.testing.assert_allclose(error, np.tile(expected, (3, 1)), atol=1e-9)
    np.testing.assert_allclose(got.kinds["protrusion"].high_mm[-1], -expected[2], atol=1e-9)


def test_an_anterior_axis_error_leaves_a_translating_protrusion_alone():
    alike = ArticulatorSettings(
        intercondylar_mm=110.0,
        sagittal_inclination_left_deg=40.0,
        sagittal_inclination_right_deg=40.0,
        incisal_sagittal_deg=40.0,
    )
    axis = TRUE.shifted(left_anterior_mm=6.0, right_anterior_mm=6.0)
    got = excursion_errors(geometry(axis), settings=alike, steps=2)
    np.testing.assert_allclose(got.kinds["protrusion"].error_mm, 0.0, atol=1e-9)
    # The lateral excursions turn about another centre, so they do err.
    assert np.abs(got.kinds["left_lateral"].error_mm).max() > 0.05


def test_lateral_error_of_an_anterior_axis_is_the_turn_times_the_offset():
    """First order: the articulator turns about a centre ``a`` further forwards, by the same angle
    about the vertical, so points go sideways by ``angle * a`` less (derived here).
    """
    flat = ArticulatorSettings(
        intercondylar_mm=110.0, sagittal_inclination_left_deg=0.0,
        sagittal_inclination_right_deg=0.0, bennett_left_deg=8.0, bennett_right_deg=8.0,
    )  # fmt: skip
    a, travel = 5.0, 0.5
    axis = TRUE.shifted(left_anterior_mm=a, right_anterior_mm=a)
    got = excursion_errors(
        geometry(axis), settings=flat, steps=2, travel_mm=travel, kinds=("left_lateral",)
    )
    turn = travel / 110.0
    error = got.kinds["left_lateral"].error_mm[-1]
    np.testing.assert_allclose(error[:, 1], -turn * a, rtol=0.03)
    np.testing.assert_allclose(error[:, 2], 0.0, atol=1e-9)


def test_excursion_starts_from_the_closure_error_when_asked():
    axis = TRUE.shifted(left_anterior_mm=5.0, right_superior_mm=-4.0)
    closure = error_motion(TRUE, axis, 3.0, 3.0)
    got = excursion_errors(geometry(axis), start_error=closure, settings=SETTINGS, steps=2)
    for error in got.kinds.values():
        np.testing.assert_allclose(error.error_mm[0], closure.apply(POINTS) - POINTS, atol=1e-9)


def test_mirrored_errors_make_the_mirrored_excursion_errors():
    symmetric = replace(
        SETTINGS, sagittal_inclination_left_deg=38.0, immediate_side_shift_left_mm=0.0,
        guide_radius_left_mm=25.0,
    )  # fmt: skip
    one = TRUE.shifted(left_anterior_mm=5.0, left_superior_mm=2.0, right_anterior_mm=-1.0)
    two = TRUE.shifted(right_anterior_mm=5.0, right_superior_mm=2.0, left_anterior_mm=-1.0)
    a = excursion_errors(geometry(one), settings=symmetric, steps=2, kinds=("left_lateral",))
    b = excursion_errors(geometry(two), settings=symmetric, steps=2, kinds=("right_lateral",))
    mirrored = b.kinds["right_lateral"].error_mm[:, [0, 2, 1]] * [1.0, -1.0, 1.0]
    np.testing.assert_allclose(a.kinds["left_lateral"].error_mm, mirrored, atol=1e-8)


@pytest.mark.parametrize("front", ["teeth", "first"])
def test_real_casts_err_in_excursions_by_the_arbitrary_axis_and_not_by_the_true_one(front):
    upper, lower = open_pair_in_articulator(TRUE)
    own = ArticulatorSettings(intercondylar_mm=110.0)
    worst_mm = []
    for axis in (TRUE, TRUE.shifted(left_anterior_mm=6.0, right_superior_mm=-4.0)):
        casts = geometry(axis, upper=upper, lower=lower)
        got = excursion_errors(casts, settings=own, steps=3, front=front, kinds=("left_lateral",))
        error = got.kinds["left_lateral"]
        assert error.complete
        assert {s.status for s in error.patient.steps[1:]} == {"on_teeth"}
        worst_mm.append(worst(got))
    assert worst_mm[0] < 1e-8
    assert 0.02 < worst_mm[1] < 2.0


def test_demo_case_gives_every_excursion_with_its_own_landmarks(demo_assessment):
    got = excursion_errors(demo_assessment.geometry, steps=3)
    assert got.names == demo_assessment.landmarks.names
    assert set(got.kinds) == {"protrusion", "left_lateral", "right_lateral"}
    assert all(error.complete for error in got.kinds.values())
    # A few millimetres of axis error make tenths of a millimetre in 5 mm of excursion, not more.
    assert 0.01 < got.worst()[2] < 1.5


def test_casts_are_needed_where_the_teeth_stop_the_front():
    with pytest.raises(InputError, match="casts"):
        excursion_errors(geometry(), settings=SETTINGS, front="teeth")


def test_record_is_json_ready_and_names_the_worst_landmark():
    axis = TRUE.shifted(left_anterior_mm=5.0, right_superior_mm=-4.0)
    got = excursion_errors(geometry(axis), settings=SETTINGS, steps=3)
    text = json.loads(json.dumps(to_json(got), allow_nan=False))
    kind, name, size = got.worst()
    assert text["worst"] == {"excursion": kind, "landmark": name, "error_mm": size}
    assert size == pytest.approx(
        max(np.linalg.norm(e.error_mm, axis=2).max() for e in got.kinds.values())
    )
    assert "not a medical device" in text["caution"]
    assert text["kinds"]["protrusion"]["patient"]["worst_residual_mm"] < 1e-9


def test_path_angles_are_descent_and_heading():
    descent, heading = path_angles_deg(np.array([[0.0, 0.0, 0.0], [1.0, 1.0, -np.sqrt(2.0)]]))
    assert (descent, heading) == pytest.approx((45.0, 45.0))


def test_a_third_point_on_the_axis_is_refused():
    with pytest.raises(InputError, match="third_point_mm"):
        excursion_errors(geometry(), third_point_mm=(5.0, 0.0, 0.0), settings=SETTINGS)


def test_moving_patient_and_landmarks_along_the_axis_changes_nothing_in_protrusion():
    axis = TRUE.transformed(RigidTransform.from_translation([0.0, 7.0, 0.0]))
    flat = ArticulatorSettings(intercondylar_mm=110.0, incisal_sagittal_deg=15.0)
    got = excursion_errors(geometry(axis), settings=flat, steps=3, kinds=("protrusion",))
    assert worst(got) < 1e-9
