"""The costs of the transfer reach the assessment, in numbers and in words."""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.case.read import case_from_dict, case_to_dict
from kinematics.decision.words import transfer_sentences
from kinematics.result import result_dict
from tests.makers.cases import landmarks_only, open_pair

MARKS = {
    "face_landmark": "tragus",
    **{
        f"{side}_{which}_{way}_mm": value
        for side in ("left", "right")
        for which, way, value in (
            ("arbitrary", "anterior", 13.0),
            ("arbitrary", "superior", 0.0),
            ("located", "anterior", 9.0),
            ("located", "superior", 2.0),
        )
    },
    "facial_width_mm": 140.0,
    "stand_width_mm": 125.0,
    "slip_left_mm": 2.0,
}


def marked(**changes):
    data = {**case_to_dict(landmarks_only()), "marks": MARKS, **changes}
    del data["true_axis"], data["arbitrary_axis"]
    return case_from_dict(data)


def test_a_plain_case_states_no_cost():
    transfer = assess(landmarks_only()).transfer
    assert (transfer.third_point, transfer.side_extension, transfer.slip) == (None, None, None)
    assert transfer.sentences == ()


def test_skin_marks_give_both_axes_the_stand_setting_and_a_slip_that_costs_no_hinge_error():
    a = assess(marked())
    offset = a.arbitrary_axis.midpoint_mm - a.true_axis.midpoint_mm
    np.testing.assert_allclose(offset[[0, 2]], [4.0, -2.0], atol=1e-9)
    assert a.transfer.side_extension.each_side_mm == pytest.approx((140.0 - 125.0) / 2)
    assert a.transfer.slip.hinge_error_mm < 1e-9
    by_hand = 2 * np.sin(np.radians(8.0) / 2) * 2.0
    assert a.transfer.slip.lateral_mm == pytest.approx(by_hand, rel=0.02)
    assert any("makes no hinge error" in s for s in a.transfer.sentences)


def test_a_slip_changes_no_closure_error():
    still = {**MARKS, "slip_left_mm": 0.0}
    here, there = assess(marked()), assess(marked(marks=still))
    for stop in here.stops:
        np.testing.assert_allclose(
            here.stops[stop].magnitude_mm, there.stops[stop].magnitude_mm, atol=1e-9
        )


def test_a_third_point_error_turns_the_guidance_degree_for_degree():
    table = {"kind": "orbitale", "error_superior_mm": 5.0, "reach_mm": 80.0}
    effect = assess(landmarks_only(third_point=table)).transfer.third_point
    assert effect.tilt_deg == pytest.approx(np.degrees(np.arctan(5 / 80)))
    turned = effect.sagittal_deg[1] - effect.sagittal_deg[0]
    assert abs(turned) == pytest.approx(abs(effect.tilt_deg), abs=0.3)
    assert effect.equal_angle_change_mm < 1e-9


@pytest.mark.parametrize(("error", "way"), [(0.5, "superior"), (-0.5, "inferior")])
def test_the_sentence_says_which_way_the_third_point_was_wrong(error, way):
    third = {"kind": "orbitale", "error_superior_mm": error, "reach_mm": 80.0}
    sentence = assess(landmarks_only(third_point=third)).transfer.sentences[0]
    assert f"0.5 mm too {way}" in sentence


def test_the_third_point_s_standard_uncertainty_is_said_in_degrees_of_guidance():
    third = {"kind": "orbitale", "reach_mm": 80.0, "sd_superior_mm": 3.0}
    found = assess(landmarks_only(third_point=third)).transfer
    assert found.third_point.tilt_sd_deg == pytest.approx(np.degrees(3.0 / 80.0))
    assert any("uncertain by 2.15 degrees" in s for s in found.sentences)
    without = assess(landmarks_only(third_point=third | {"sd_superior_mm": 0.0})).transfer
    assert not any("uncertain" in s for s in without.sentences)


def test_mounting_uncertainty_names_the_reading_to_repeat_and_reaches_the_result(scans):
    case = case_to_dict(open_pair(scans))
    case["mounting"]["sd_mm"] = 0.5
    a = assess(case_from_dict(case))
    assert a.transfer.repeat_first == a.mounting.influences[0][0]
    assert f"{1e3 * a.mounting.influences[0][1]:.0f} µm" in a.transfer.sentences[-1]
    assert a.transfer.repeat_first in result_dict(a)["transfer"]["sentences"][-1]
    assert (a.transfer.mounting_sd_mm > 0).any()
    json.dumps(result_dict(a), allow_nan=False)


def test_an_average_mounting_has_no_reading_to_repeat():
    mounting = SimpleNamespace(method="average", influences=(("Bonwill arm", 6.164),))
    (sentence,) = transfer_sentences(None, None, None, mounting, 8.0)
    assert "repeat" not in sentence
    assert "Bonwill arm alone moves the teeth by 6.2 mm" in sentence
