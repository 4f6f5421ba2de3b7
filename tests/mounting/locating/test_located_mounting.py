"""A case whose axis is located from recordings: axis and spread reach the answer."""

import json

import numpy as np
import pytest

from kinematics.assessment import assess_placed
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.read import case_from_dict, case_to_dict, read_case, set_field
from kinematics.closure.place import place
from kinematics.result import result_dict
from tests import SAMPLES


@pytest.fixture(scope="module")
def demo():
    return case_to_dict(read_case(SAMPLES / "demo_case.toml"))


def located(demo, openings_deg=(5.0, 9.0), **more):
    """The demo case with exact poses of its lower at two openings in place of its axis points."""
    axis = HingeAxis(demo["mounting"]["left_point_mm"], demo["mounting"]["right_point_mm"])
    openings = [
        {
            "name": f"{angle:g} degrees",
            "upper_scan_from_lower_scan": opening_motion(axis, angle).as_matrix().tolist(),
        }
        for angle in openings_deg
    ]
    data = json.loads(json.dumps(demo))
    del data["articulator"]  # the excursions tell nothing more of the axis
    data["mounting"] = {
        "method": "located_axis",
        "left": [0.0, 1.0, 0.0],
        "third_point_mm": demo["mounting"]["third_point_mm"],
        "registration_rms_mm": 0.03,
        "left_half_width_mm": 52.1,
        "right_half_width_mm": 52.1,
        "openings": openings,
        **more,
    }
    return case_from_dict(data, folder=SAMPLES)


def test_exact_recordings_give_the_axis_and_the_answer_of_the_measured_points(
    demo, demo_assessment
):
    given = demo_assessment
    found = assess_placed(place(located(demo)), curve=False, uncertainty=False)
    np.testing.assert_allclose(found.true_axis.direction, given.true_axis.direction, atol=1e-9)
    for stop in ("equal_angle", "pin"):
        np.testing.assert_allclose(
            np.sort(found.stops[stop].magnitude_mm),
            np.sort(given.stops[stop].magnitude_mm),
            atol=2e-4,
        )
    json.dumps(result_dict(found), allow_nan=False)


def test_the_recordings_own_spread_replaces_the_stated_one(demo):
    wide, narrow = (
        assess_placed(place(located(demo, registration_rms_mm=rms)), curve=False)
        for rms in (0.2, 0.02)
    )
    spread = [a.uncertainty.quantities["magnitude"].uncertainty.max() for a in (narrow, wide)]
    assert spread[1] > 2 * spread[0]
    assert any("recordings" in text for text in wide.uncertainty.assumptions)
    ratio = wide.mounting.true_axis_covariance_mm2 / narrow.mounting.true_axis_covariance_mm2
    np.testing.assert_allclose(ratio, 100.0, rtol=1e-6)


def test_openings_too_small_to_locate_an_axis_are_refused(demo):
    with pytest.raises(InputError, match="openings"):
        place(located(demo, openings_deg=(0.3, 0.5)))


def test_changing_a_number_does_not_locate_the_axis_again(demo, monkeypatch):
    placed = place(located(demo))
    monkeypatch.setattr(
        "kinematics.mounting.mount.locate_from_case_table", lambda *a, **k: pytest.fail("again")
    )
    again = placed.with_case(set_field(placed.case, "arbitrary_axis.left_anterior_mm", 2.0))
    assert again.mounting.arbitrary_axis.left_point_mm[0] == pytest.approx(2.0)
