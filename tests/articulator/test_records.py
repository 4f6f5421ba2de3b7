"""Settings from records: round trips, and records that cannot be used."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
from kinematics.articulator.records import settings_from_records
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError

TIP = np.array([130.0, 0.0, -35.0])
RADII = st.one_of(st.none(), st.floats(10.0, 60.0))


def poses(true, travel=6.0):
    articulator = build_articulator(true, TIP)
    return {
        record: excursion(articulator, kind, 4, travel_mm=travel).reached[-1].motion
        for record, kind in (
            ("protrusive", "protrusion"),
            ("left_lateral", "left_lateral"),
            ("right_lateral", "right_lateral"),
        )
    }


@given(
    st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.floats(2.0, 20.0), st.floats(2.0, 20.0),
    st.floats(0.0, 1.5), RADII, RADII,
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_records_taken_on_an_articulator_give_its_settings_back(h1, h2, b1, b2, slack, r1, r2):
    true = ArticulatorSettings(
        sagittal_inclination_left_deg=h1,
        sagittal_inclination_right_deg=h2,
        bennett_left_deg=b1,
        bennett_right_deg=b2,
        immediate_side_shift_left_mm=slack,
        guide_radius_left_mm=r1,
        guide_radius_right_mm=r2,
    )
    blank = replace(
        ArticulatorSettings(),
        immediate_side_shift_left_mm=slack,
        guide_radius_left_mm=r1,
        guide_radius_right_mm=r2,
    )
    got = settings_from_records(blank, **poses(true))
    for name in ("sagittal_inclination_left_deg", "sagittal_inclination_right_deg",
                 "bennett_left_deg", "bennett_right_deg"):  # fmt: skip
        assert getattr(got.settings, name) == pytest.approx(getattr(true, name), abs=1e-7)
    assert got.findings == ()


def test_lateral_record_alone_sets_its_orbiting_side_and_no_other():
    true = ArticulatorSettings(sagittal_inclination_right_deg=30.0, bennett_right_deg=15.0)
    got = settings_from_records(ArticulatorSettings(), left_lateral=poses(true)["left_lateral"])
    assert got.settings.sagittal_inclination_right_deg == pytest.approx(30.0, abs=1e-8)
    assert got.settings.bennett_right_deg == pytest.approx(15.0, abs=1e-8)
    average = ArticulatorSettings()
    assert got.settings.bennett_left_deg == average.bennett_left_deg
    assert got.settings.sagittal_inclination_left_deg == average.sagittal_inclination_left_deg


def test_hand_case_of_a_translated_record():
    """3 mm forwards and 3 mm down is 45 deg; 0.1 mm at 4.243 mm is 1.35 deg."""
    got = settings_from_records(
        ArticulatorSettings(), protrusive=RigidTransform.from_translation([3.0, 0.0, -3.0])
    )
    assert got.settings.sagittal_inclination_left_deg == pytest.approx(45.0)
    assert got.guides[0].inclination_error_deg == pytest.approx(1.3504745, abs=1e-6)
    assert got.guides[0].bennett_deg is None


def test_hand_case_of_a_lateral_record_with_an_immediate_side_shift():
    """4 mm forwards and 1.4 mm medially, of which 0.4 mm is immediate: atan(1 / 4)."""
    got = settings_from_records(
        ArticulatorSettings(immediate_side_shift_right_mm=0.4),
        left_lateral=RigidTransform.from_translation([4.0, 1.4, -3.0]),
    )
    assert got.settings.bennett_right_deg == pytest.approx(14.0362435, abs=1e-6)


def test_opening_about_the_hinge_axis_does_not_change_what_a_record_says():
    """The record may prop the jaw open at any height: the elements do not move."""
    true = ArticulatorSettings(sagittal_inclination_left_deg=35.0)
    motion = poses(true)["protrusive"]
    half = 0.5 * true.intercondylar_mm
    axis = HingeAxis(motion.apply([0.0, half, 0.0]), motion.apply([0.0, -half, 0.0]))
    propped = opening_motion(axis, 3.0) * motion
    a = settings_from_records(ArticulatorSettings(), protrusive=motion).settings
    b = settings_from_records(ArticulatorSettings(), protrusive=propped).settings
    assert a.sagittal_inclination_left_deg == pytest.approx(
        b.sagittal_inclination_left_deg, abs=1e-9
    )


def test_loose_working_element_is_remarked():
    motion = (
        RigidTransform.from_translation([1.0, 0.0, 0.0])
        * poses(ArticulatorSettings(bennett_right_deg=15.0))["left_lateral"]
    )
    got = settings_from_records(ArticulatorSettings(), left_lateral=motion)
    assert [f.where for f in got.findings] == ["articulator.records.left_lateral"]


@pytest.mark.parametrize(
    ("change", "record", "shift", "where"),
    [
        ({}, "protrusive", [0.5, 0.0, -0.5], "articulator.records.protrusive"),
        ({}, "protrusive", [-5.0, 0.0, -3.0], "articulator.records.protrusive"),
        ({}, "protrusive", [2.5, 0.0, 4.0], "articulator.records.protrusive"),
        ({}, "left_lateral", [4.0, -2.0, -3.0], "articulator.records.left_lateral"),
        ({}, "right_lateral", [4.0, -7.0, -3.0], "articulator.records.right_lateral"),
        (
            {"guide_radius_left_mm": 6.0},
            "protrusive",
            [10.0, 0.0, -9.0],
            "articulator.guide_radius_left_mm",
        ),
        ({"intercondylar_mm": 5.0}, "protrusive", [4.0, 0.0, -3.0], "articulator.intercondylar_mm"),
    ],
)
def test_record_that_cannot_be_used_is_named(change, record, shift, where):
    with pytest.raises(InputError) as caught:
        settings_from_records(
            ArticulatorSettings(**change), **{record: RigidTransform.from_translation(shift)}
        )
    assert caught.value.where == where


def test_no_record_is_an_error():
    with pytest.raises(InputError, match="records"):
        settings_from_records(ArticulatorSettings())
