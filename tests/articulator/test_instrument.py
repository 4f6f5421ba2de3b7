"""Settings, published averages, geometry, and a change of the vertical dimension."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import (
    ArticulatorSettings,
    bennett_from_inclination,
    build_articulator,
    raised,
    settings_from_case,
)
from kinematics.articulator.solver import pin_gaps
from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.case.read import case_from_dict
from kinematics.excursions.arcon import arcon_comparison, guide_inclination_deg
from kinematics.excursions.settings import guidance_settings
from viewer.report.guidance import rule_sentence

TIP = np.array([130.0, 0.0, -35.0])


@pytest.mark.parametrize(("h", "expected"), [(20, 14.5), (30, 15.75), (33, 16.125), (40, 17.0)])
def test_rule_of_the_lateral_angle(h, expected):
    """published_values.md section 4, L = H/8 + 12 (formula READ, values CALC)."""
    assert bennett_from_inclination(h) == expected


def test_rule_gives_the_published_range_for_common_inclinations():
    """Section 4: a study's range from the formula is 14 to 17 deg (READ); it rounds to whole deg.

    The inclinations behind it are not given; 20 to 40 deg are an inference.
    """
    assert [round(bennett_from_inclination(h)) for h in (20.0, 40.0)] == [14, 17]


def test_defaults_lie_within_the_published_ranges():
    """Section 4 (READ): base 85.2 to 112.6 mm, inclination 41.9 SD 7.8 deg, Bennett 7.3 L 9.0 R."""
    average = ArticulatorSettings()
    assert 85.2 <= average.intercondylar_mm <= 112.6
    assert abs(average.sagittal_inclination_left_deg - 41.9) < 7.8
    assert 7.3 <= average.bennett_left_deg <= 9.0
    assert average.bennett_left_deg == average.bennett_right_deg


def test_missing_case_settings_become_averages_and_the_width_of_the_axis():
    got = settings_from_case({"bennett_left_deg": 12.0, "bennett_right_deg": None}, width_mm=108.0)
    assert got.intercondylar_mm == 108.0
    assert got.bennett_left_deg == 12.0
    assert got.bennett_right_deg == ArticulatorSettings().bennett_right_deg
    assert settings_from_case(None) == ArticulatorSettings()


def test_a_width_that_no_articulator_has_asks_for_the_setting_that_it_would_stand_for():
    with pytest.raises(InputError, match=r"articulator\.intercondylar_mm: got nothing.* 50 mm"):
        settings_from_case({}, width_mm=50.0)
    assert settings_from_case({"intercondylar_mm": 110.0}, width_mm=50.0).intercondylar_mm == 110.0


def test_bennett_rule_fills_only_what_is_missing():
    got = settings_from_case(
        {"bennett_left_deg": 5.0, "sagittal_inclination_right_deg": 40.0}, bennett_rule=True
    )
    assert (got.bennett_left_deg, got.bennett_right_deg) == (5.0, 17.0)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("intercondylar_mm", 30.0),
        ("sagittal_inclination_right_deg", 120.0),
        ("bennett_right_deg", 60.0),
        ("immediate_side_shift_left_mm", -0.5),
        ("guide_radius_right_mm", 1.0),
        ("incisal_sagittal_deg", 89.0),
        ("incisal_lateral_deg", -10.0),
    ],
)
def test_impossible_setting_is_named_as_in_the_case_file(field, value):
    with pytest.raises(InputError) as caught:
        build_articulator(ArticulatorSettings(**{field: value}), TIP)
    assert caught.value.where == f"articulator.{field}"


def test_unknown_setting_is_named():
    with pytest.raises(InputError, match=r"articulator\.benett_left_deg"):
        settings_from_case({"benett_left_deg": 5.0})


def test_pin_behind_the_axis_is_refused():
    with pytest.raises(InputError, match=r"pin\.tip_mm"):
        build_articulator(ArticulatorSettings(), [-10.0, 0.0, -35.0])


@pytest.mark.parametrize(("pin_on", "away"), [("upper", -1.0), ("lower", 1.0)])
def test_table_above_the_pin_is_refused_and_one_away_from_it_is_not(pin_on, away):
    """The table is below an upper pin and above a lower one."""
    shift = np.array([0.0, 0.0, away])
    build_articulator(ArticulatorSettings(), TIP, pin_on=pin_on, table_point_mm=TIP + shift)
    with pytest.raises(InputError, match="table above the pin"):
        build_articulator(ArticulatorSettings(), TIP, pin_on=pin_on, table_point_mm=TIP - shift)


@given(
    st.floats(-5.0, 12.0),
    st.sampled_from(["upper", "lower"]),
    st.sampled_from(["upper", "lower"]),
    st.floats(-10.0, 60.0),
    st.floats(0.0, 40.0),
)
@settings(max_examples=50, deadline=None)
def test_raising_sets_the_pin_to_its_table(opening, guidance_on, pin_on, sagittal, lateral):
    chosen = ArticulatorSettings(incisal_sagittal_deg=sagittal, incisal_lateral_deg=lateral)
    unit = build_articulator(chosen, TIP, guidance_on=guidance_on, pin_on=pin_on)
    up = raised(unit, opening)
    assert abs(pin_gaps(up, up.start_pose)).max() < 1e-10
    # Raised: the pin is longer (upper pin's tip lower, lower pin's tip higher).
    longer = (up.pin_tip_mm - TIP)[2] * (-1.0 if pin_on == "upper" else 1.0)
    assert longer * opening >= 0.0


@pytest.mark.parametrize("pin_on", ["upper", "lower"])
@pytest.mark.parametrize("opening", [-1.0, 3.0])
def test_raising_sets_a_pin_beside_the_ridge_to_the_nearer_wing(pin_on, opening):
    """The nearer wing is touched and the other one is clear; neither is entered."""
    beside = TIP + np.array([0.0, 4.0, 2.5 if pin_on == "lower" else -2.5])
    chosen = ArticulatorSettings(incisal_sagittal_deg=20.0, incisal_lateral_deg=25.0)
    unit = build_articulator(chosen, TIP, pin_on=pin_on, table_point_mm=beside)
    up = raised(unit, opening)
    gaps = pin_gaps(up, up.start_pose)
    assert gaps.min() == pytest.approx(0.0, abs=1e-10)
    assert gaps.max() > 1.0


@pytest.mark.parametrize("opening", [-2.0, 3.0, 6.0])
def test_arcon_keeps_its_angle_to_the_upper_and_opening_guidance_to_the_lower(opening):
    chosen = ArticulatorSettings(sagittal_inclination_left_deg=35.0, guide_radius_right_mm=19.0)
    got = arcon_comparison(chosen, TIP, [[90.0, 0.0, -35.0]], opening, steps=2)
    np.testing.assert_allclose(got.to_upper_deg["arcon"], (35.0, 41.9), atol=1e-12)
    np.testing.assert_allclose(got.to_upper_deg["opening"], (35.0 + opening, 41.9 + opening))
    np.testing.assert_allclose(got.to_lower_deg["arcon"], (35.0 - opening, 41.9 - opening))
    np.testing.assert_allclose(got.to_lower_deg["opening"], (35.0, 41.9), atol=1e-12)


@pytest.mark.parametrize(("guidance_on", "extra"), [("upper", 0.0), ("lower", 4.0)])
def test_hinge_centre_descends_at_the_guide_angle_to_the_upper(guidance_on, extra):
    """Seen in the motion, not the setting: opened by 4 deg, opening guidance is 4 deg steeper."""
    chosen = ArticulatorSettings(incisal_sagittal_deg=41.9)
    unit = raised(build_articulator(chosen, TIP, guidance_on=guidance_on), 4.0)
    path = excursion(unit, "protrusion", 1, travel_mm=1e-3).points_path([0.0, 0.0, 0.0])[:, 0]
    move = path[1] - path[0]
    assert np.degrees(np.arctan2(-move[2], move[0])) == pytest.approx(41.9 + extra, abs=1e-3)
    assert guide_inclination_deg(unit, "left", "upper") == pytest.approx(41.9 + extra)


def test_both_constructions_agree_where_nothing_was_raised_and_the_motion_is_a_translation():
    chosen = ArticulatorSettings(incisal_sagittal_deg=41.9)
    got = arcon_comparison(chosen, TIP, [[90.0, 0.0, -35.0]], 0.0, kinds=("protrusion",))
    np.testing.assert_allclose(got.difference_mm["protrusion"], 0.0, atol=1e-10)


def case_with(**settings):
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "limits",
            "true_axis": {"width_mm": 110.0},
            "arbitrary_axis": {
                f"{side}_{way}_mm": 0.0
                for side in ("left", "right")
                for way in ("anterior", "superior")
            },
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"as_scanned": True},
            "landmarks": [{"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]}],
            "articulator": settings,
        }
    )


def takes(name, build):
    """Whether something can be built; a refusal must name the setting."""
    refusal = None
    try:
        build()
    except InputError as error:
        refusal = str(error)
    assert refusal is None or name in refusal
    return refusal is None


def articulator_takes(name, value):
    """Whether the articulator itself, built without any case file, takes a setting."""
    return takes(
        name,
        lambda: build_articulator(
            replace(ArticulatorSettings(), **{name: value}), [130.0, 0.0, -35.0]
        ),
    )


def case_takes(name, value):
    return takes(f"articulator.{name}", lambda: case_with(**{name: value}))


LIMITS = {
    "intercondylar_mm": (60.0, 200.0),
    "sagittal_inclination_{}_deg": (-20.0, 80.0),
    "bennett_{}_deg": (0.0, 45.0),
    "immediate_side_shift_{}_mm": (0.0, 5.0),
    "guide_radius_{}_mm": (6.0, np.inf),
    "incisal_sagittal_deg": (-20.0, 80.0),
    "incisal_lateral_deg": (0.0, 80.0),
}
"""Every numeric setting and its two ends, written down by hand."""


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("name", LIMITS)
def test_the_case_file_takes_exactly_what_the_articulator_takes(name, side):
    low, high = LIMITS[name]
    name = name.format(side)
    for value, inside in (
        (low, True), (low - 1e-6, False), (high, True), (high + 1e-6, False),
    ):  # fmt: skip
        if np.isfinite(value):
            assert articulator_takes(name, value) is inside, value
            assert case_takes(name, value) is inside, value


def test_the_hand_written_limits_leave_no_setting_out():
    named = {name.format(side) for name in LIMITS for side in ("left", "right")}
    assert named == set(ArticulatorSettings.__dataclass_fields__)
    fields = type(case_with().articulator).model_fields
    assert named | {"front", "bennett_rule", "settings_from", "records"} == set(fields)


def test_the_front_is_one_of_three_words_and_teeth_need_casts():
    assert case_with().articulator.front is None
    assert case_with(front="pin").articulator.front == "pin"
    assert case_with(front="pin", bennett_left_deg=9.0).articulator.given() == {
        "bennett_left_deg": 9.0
    }
    for front in ("teeth", "first"):
        with pytest.raises(InputError, match=rf"articulator\.front.*'{front}' without \[casts\]"):
            case_with(front=front)
    with pytest.raises(InputError, match=r"articulator\.front"):
        case_with(front="lips")


def test_the_rule_fills_in_only_the_bennett_angles_that_are_missing():
    """published_values.md section 4: 17.0 at 40 deg (CALC); without an inclination its average."""
    table = case_with(
        bennett_rule=True, sagittal_inclination_left_deg=40.0, bennett_right_deg=5.0
    ).articulator
    got = guidance_settings(table, 104.0, {}).settings
    assert (got.bennett_left_deg, got.bennett_right_deg) == (17.0, 5.0)
    assert got.sagittal_inclination_left_deg == 40.0
    assert got.intercondylar_mm == 104.0
    plain = guidance_settings(case_with(bennett_rule=False).articulator, 104.0, {}).settings
    assert plain.bennett_left_deg == ArticulatorSettings().bennett_left_deg
    bare = guidance_settings(case_with(bennett_rule=True).articulator, 104.0, {}).settings
    assert bare.bennett_left_deg == pytest.approx(41.9 / 8 + 12)


def test_the_rule_reaches_the_assessment_and_is_told():
    a = assess(case_with(bennett_rule=True, sagittal_inclination_left_deg=40.0))
    assert a.excursions.settings.bennett_left_deg == 17.0
    assert "left and right side: by the rule L = H / 8 + 12" in rule_sentence(a.case)
    assert rule_sentence(case_with()) == ""
    given = case_with(bennett_rule=True, bennett_left_deg=9.0, bennett_right_deg=8.0)
    assert rule_sentence(given) == ""
