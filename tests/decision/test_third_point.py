import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.articulator.instrument import AVERAGE_INCLINATION_DEG, ArticulatorSettings
from kinematics.assessment import assess
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import InputError
from kinematics.case.read import case_from_dict
from kinematics.decision.third_point import third_point_effect, third_point_effect_of_case
from kinematics.excursions.settings import guidance_settings
from kinematics.mounting.mount import mount
from tests.makers.cases import landmarks_only

TRUE = HingeAxis(np.array([0.0, 55, 0]), np.array([0.0, -55, 0]))
ARBITRARY = TRUE.shifted(
    left_anterior_mm=4.0, left_superior_mm=-3.0, right_anterior_mm=5.5, right_superior_mm=-1.0
)
TEETH = np.array([[90.0, 0, -38], [50.0, 25, -35], [50.0, -25, -35]])
PIN = np.array([130.0, 0, -35])


def effect(error, closing=2.0, reach=80.0, **more):
    return third_point_effect(
        TRUE, ARBITRARY, closing, TEETH, PIN, error_superior_mm=error, reach_mm=reach, **more
    )


@settings(max_examples=40, deadline=None)
@given(st.floats(-20, 20), st.floats(-6, 6), st.floats(40, 120))
def test_closure_error_at_equal_angle_does_not_change(error, closing, reach):
    assert effect(error, closing, reach).equal_angle_change_mm < 1e-12


@settings(max_examples=40, deadline=None)
@given(st.floats(-20, 20), st.floats(40, 120), st.floats(0, 60), st.floats(0, 20))
def test_sagittal_guidance_changes_degree_for_degree(error, reach, sagittal, bennett):
    got = effect(error, reach=reach, sagittal_deg=sagittal, bennett_deg=bennett)
    assert got.tilt_deg == pytest.approx(np.degrees(np.arctan2(error, reach)))
    assert got.sagittal_deg[1] - sagittal == pytest.approx(got.tilt_deg, abs=1e-9)


def test_point_used_too_high_steepens_the_path():
    assert effect(5.0).sagittal_deg[1] > AVERAGE_INCLINATION_DEG
    assert effect(-5.0).sagittal_deg[1] < AVERAGE_INCLINATION_DEG
    assert effect(0.0).bennett_deg[1] == pytest.approx(effect(0.0).bennett_deg[0])


def test_pin_stop_changes_a_little_because_it_holds_a_height_of_the_articulator():
    got = effect(5.0).pin_change_mm
    assert 0.0 < got < 0.05
    assert effect(0.0).pin_change_mm == pytest.approx(0.0, abs=1e-12)


def test_angle_agrees_with_the_frame_built_on_the_wrong_point():
    """Independent route: build the frame with the wrong point and read the path's angle in it."""
    wrong = axis_orbital_from_points(TRUE, [80.0, 0.0, 6.0])
    path = wrong.rotation.apply([np.cos(np.radians(40)), 0, -np.sin(np.radians(40))])
    seen = np.degrees(np.arctan2(-path[2], path[0]))
    assert effect(6.0, sagittal_deg=40.0, bennett_deg=0.0).sagittal_deg[1] == pytest.approx(seen)


@pytest.mark.parametrize(("error", "reach"), [(0.0, 80.0), (6.0, 60.0), (-9.0, 95.0)])
def test_an_uncertain_third_point_makes_the_guidance_uncertain_and_not_the_hinge_error(
    error, reach
):
    found = effect(error, reach=reach, sd_superior_mm=1.5)
    rng = np.random.default_rng(4)
    drawn = [effect(error + 1.5 * z, reach=reach) for z in rng.normal(size=800)]
    # 800 draws know a standard deviation to 2.5 %; three of that is 7.5 %.
    read = np.std([d.sagittal_deg[1] for d in drawn])
    assert found.tilt_sd_deg == pytest.approx(read, rel=0.075)
    assert max(abs(d.equal_angle_change_mm) for d in drawn) < 1e-9
    assert effect(error, reach=reach).tilt_sd_deg == 0.0


@pytest.mark.parametrize("reach", [0.0, -80.0, np.nan])
def test_reach_must_be_above_zero(reach):
    with pytest.raises(InputError, match="reach_mm"):
        effect(1.0, reach=reach)


def test_case_gives_the_error_and_the_settings():
    data = {
        "schema": "hingewise-case/1",
        "label": "case 1",
        "true_axis": {"width_mm": 110.0},
        "arbitrary_axis": {
            "left_anterior_mm": 4.0,
            "left_superior_mm": -3.0,
            "right_anterior_mm": 5.5,
            "right_superior_mm": -1.0,
        },
        "record": {"opening_deg": 2.0},
        "target": {"opening_deg": 0.0},
        "landmarks": [{"name": "a", "tooth": 31, "point_mm": [90.0, 0.0, -38.0]}],
    }
    case = case_from_dict(data)
    average = ArticulatorSettings()
    assert third_point_effect_of_case(case, mount(case), 2.0, TEETH, PIN, average) is None
    data["third_point"] = {"kind": "orbitale", "error_superior_mm": 5.0, "reach_mm": 80.0}
    data["articulator"] = {
        "sagittal_inclination_left_deg": 30.0,
        "sagittal_inclination_right_deg": 40.0,
    }
    case = case_from_dict(data)
    guidance = guidance_settings(case.articulator, 110.0, {}).settings
    got = third_point_effect_of_case(case, mount(case), 2.0, TEETH, PIN, guidance)
    assert got == effect(5.0, sagittal_deg=35.0)


def test_the_report_s_third_point_follows_the_rule_for_the_bennett_angle():
    third = {"kind": "orbitale", "error_superior_mm": 5.0, "reach_mm": 80.0}
    rule = {"bennett_rule": True, "sagittal_inclination_left_deg": 40.0,
            "sagittal_inclination_right_deg": 40.0}  # fmt: skip
    a = assess(landmarks_only(third_point=third, articulator=rule))
    assert a.transfer.third_point.bennett_deg[0] == pytest.approx(17.0)  # 40 / 8 + 12


def test_third_point_takes_only_its_own_number():
    base = {"error_superior_mm": 1.0}
    for table, part in (
        ({"kind": "below_nasion"}, "below_nasion_mm"),
        ({"kind": "orbitale", "below_nasion_mm": 23.0}, "below_nasion_mm"),
        ({"kind": "incisal_height"}, "incisal_height_mm"),
    ):
        with pytest.raises(InputError, match=part):
            case_from_dict(
                {
                    "schema": "hingewise-case/1",
                    "label": "case 1",
                    "true_axis": {"width_mm": 110.0},
                    "record": {"opening_deg": 2.0},
                    "target": {"opening_deg": 0.0},
                    "third_point": {**base, **table},
                }
            )


def test_an_axis_narrower_than_an_articulator_is_assessed_where_no_articulator_is_asked_for():
    third = {"kind": "orbitale", "error_superior_mm": 5.0, "reach_mm": 80.0}
    a = assess(landmarks_only(true_axis={"width_mm": 50.0}, third_point=third))
    assert a.excursions is None
    assert a.transfer.third_point.sagittal_deg[0] == AVERAGE_INCLINATION_DEG
