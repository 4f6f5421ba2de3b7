"""Excursions on guides and pin: closed forms, properties, statuses, errors."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.articulator.excursion import contact_words, excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator, raised
from kinematics.articulator.path import Mix
from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError

TIP = np.array([130.0, 0.0, -35.0])
W = 99.6
MIRROR = np.array([1.0, -1.0, 1.0])


def unit(tip=TIP, **fields):
    keys = {k: fields.pop(k) for k in ("guidance_on", "pin_on") if k in fields}
    return build_articulator(ArticulatorSettings(**fields), tip, **keys)


def both(name, value):
    return {name.format("left"): value, name.format("right"): value}


SETTINGS = st.fixed_dictionaries(
    {
        "intercondylar_mm": st.floats(85.0, 125.0),
        "sagittal_inclination_left_deg": st.floats(0.0, 65.0),
        "sagittal_inclination_right_deg": st.floats(0.0, 65.0),
        "bennett_left_deg": st.floats(0.0, 25.0),
        "bennett_right_deg": st.floats(0.0, 25.0),
        "immediate_side_shift_left_mm": st.floats(0.0, 2.0),
        "immediate_side_shift_right_mm": st.floats(0.0, 2.0),
        "guide_radius_left_mm": st.one_of(st.none(), st.floats(10.0, 60.0)),
        "guide_radius_right_mm": st.one_of(st.none(), st.floats(10.0, 60.0)),
        "incisal_sagittal_deg": st.floats(-5.0, 60.0),
        "incisal_lateral_deg": st.floats(0.0, 40.0),
        "guidance_on": st.sampled_from(["upper", "lower"]),
        "pin_on": st.sampled_from(["upper", "lower"]),
    }
)
KIND = st.sampled_from(["protrusion", "left_lateral", "right_lateral"])


@given(SETTINGS, KIND, st.floats(-2.0, 5.0))
@settings(max_examples=30, deadline=None)
def test_every_step_meets_its_constraints_and_keeps_the_elements_apart(fields, kind, opening):
    articulator = raised(unit(**fields), opening)
    path = excursion(articulator, kind, 8, travel_mm=6.0)
    assert path.complete
    for step in path.steps:
        assert step.status == "on_pin"
        assert step.residual_mm < 1e-9
        assert step.pin_gap_mm == pytest.approx(0.0, abs=1e-9)
        # The elements as a rigid pair: of the lower on upper guides, of the upper on lower ones.
        pair = step.elements_mm
        if articulator.guidance_on == "lower":
            pair = 2.0 * np.array([articulator.left.start_mm, articulator.right.start_mm]) - pair
        apart = np.linalg.norm(pair[0] - pair[1])
        assert apart == pytest.approx(fields["intercondylar_mm"], abs=1e-9)


@given(st.floats(0.0, 70.0), st.floats(0.5, 12.0), st.sampled_from(["upper", "lower"]))
@settings(max_examples=15, deadline=None)
def test_protrusion_on_equal_straight_guides_and_table_is_a_pure_translation(h, travel, pin_on):
    """Closed form: travel * (cos h, 0, -sin h) for every point (derived here)."""
    articulator = unit(
        **both("sagittal_inclination_{}_deg", h), incisal_sagittal_deg=h, pin_on=pin_on
    )
    path = excursion(articulator, "protrusion", 4, travel_mm=travel)
    points = np.array([[90.0, 0.0, -35.0], [50.0, 25.0, -30.0]])
    move = travel * np.array([np.cos(np.radians(h)), 0.0, -np.sin(np.radians(h))])
    np.testing.assert_allclose(path.points_path(points)[-1] - points, [move, move], atol=1e-9)


@given(st.floats(0.0, 60.0), st.floats(-10.0, 60.0), st.floats(0.5, 8.0))
@settings(max_examples=12, deadline=None)
def test_protrusion_with_another_incisal_inclination_is_the_circle_meeting_the_table(h, i, travel):
    """Independent closed form in 30 digits: condyles on their line, tip on a circle and a line."""
    articulator = unit(
        **both("sagittal_inclination_{}_deg", h), incisal_sagittal_deg=i, pin_on="lower"
    )
    path = excursion(articulator, "protrusion", 4, travel_mm=travel)
    with mpmath.workdps(30):
        hr, ir = mpmath.radians(mpmath.mpf(h)), mpmath.radians(mpmath.mpf(i))
        cx, cz = travel * mpmath.cos(hr), -travel * mpmath.sin(hr)
        # Tip = (130 + s cos i, -35 - s sin i) at the fixed distance from the condyles.
        px, pz = 130 - cx, -35 - cz
        ux, uz = mpmath.cos(ir), -mpmath.sin(ir)
        half = px * ux + pz * uz
        rest = px**2 + pz**2 - (mpmath.mpf(130) ** 2 + 35**2)
        root = mpmath.sqrt(half**2 - rest)
        s = min((-half + root, -half - root), key=abs)
        tip = [float(130 + s * ux), 0.0, float(-35 + s * uz)]
    np.testing.assert_allclose(path.points_path(TIP)[-1][0], tip, atol=1e-9)


def separation(h, i, travel, point):
    """Drop of a point of the lower below the incisal path's inclination (wax rims cut to it)."""
    articulator = unit(
        **both("sagittal_inclination_{}_deg", h), incisal_sagittal_deg=i, pin_on="lower"
    )
    path = excursion(articulator, "protrusion", 1, travel_mm=travel).points_path(point)[:, 0]
    move = path[-1] - path[0]
    return -move[2] - move[0] * np.tan(np.radians(i)), move[0]


@pytest.mark.parametrize(("h", "i"), [(40.0, 0.0), (40.0, 10.0), (25.0, 5.0), (30.0, 45.0)])
@pytest.mark.parametrize("reach", [50.0, 90.0])
def test_christensens_separation_follows_its_formula(h, i, reach):
    """Separation = x (tan H - tan I) (1 - (d + e) / (D + e)), e = depth * tan I, to first order.

    x: forward advance of the condyles; d, D: distance of point and pin in front of the axis, both
    35 mm below it. Derived here. The remainder is of second order: a fourth of the travel leaves
    about a sixteenth of it.
    """
    left_over = []
    for travel in (0.4, 0.1):
        got, _ = separation(h, i, travel, np.array([reach, 0.0, -35.0]))
        x = travel * np.cos(np.radians(h))
        slope = np.tan(np.radians(h)) - np.tan(np.radians(i))
        e = 35.0 * np.tan(np.radians(i))
        formula = x * slope * (1.0 - (reach + e) / (TIP[0] + e))
        assert got == pytest.approx(formula, rel=0.02)
        left_over.append(abs(got - formula))
    assert left_over[0] / left_over[1] == pytest.approx(16.0, rel=0.05)


def test_christensens_separation_is_zero_where_condylar_and_incisal_inclination_agree():
    for reach in (50.0, 90.0, 120.0):
        got, _ = separation(33.0, 33.0, 5.0, np.array([reach, 0.0, -35.0]))
        assert got == pytest.approx(0.0, abs=1e-10)


def test_separation_grows_backwards_and_with_the_condylar_inclination():
    """Christensen's observation: the wedge opens towards the back."""
    at = [separation(40.0, 10.0, 5.0, np.array([x, 0.0, -35.0]))[0] for x in (110.0, 90.0, 50.0)]
    assert 0.0 < at[0] < at[1] < at[2]
    steeper = separation(50.0, 10.0, 5.0, np.array([50.0, 0.0, -35.0]))[0]
    assert steeper > at[2]


@pytest.mark.parametrize("share", [0.0, 0.3, 0.7, 1.0])
def test_path_inclination_goes_from_the_condylar_to_the_incisal_in_proportion(share):
    """At the pin's level with the axis: tan p = (1-k) tan H + k tan I, in the limit (derived)."""
    h, i = 40.0, 15.0
    tip = np.array([130.0, 0.0, 0.0])
    articulator = unit(
        tip, **both("sagittal_inclination_{}_deg", h), incisal_sagittal_deg=i, pin_on="lower"
    )
    path = excursion(articulator, "protrusion", 1, travel_mm=1e-4).points_path(share * tip)[:, 0]
    move = path[1] - path[0]
    expected = (1 - share) * np.tan(np.radians(h)) + share * np.tan(np.radians(i))
    assert -move[2] / move[0] == pytest.approx(expected, rel=1e-5)


@given(
    st.floats(0.0, 60.0), st.floats(0.0, 25.0), st.floats(0.0, 2.0), st.floats(0.5, 8.0),
    st.sampled_from([1.0, -1.0]),
)  # fmt: skip
@settings(max_examples=15, deadline=None)
def test_working_side_shift_falls_out_of_the_fixed_distance(h, bennett, slack, travel, side):
    """Closed form: y = y_orbiting + sqrt(w^2 - x^2 - z^2), working element on its stop."""
    articulator = unit(
        **both("sagittal_inclination_{}_deg", h),
        **both("bennett_{}_deg", bennett),
        **both("immediate_side_shift_{}_mm", slack),
    )
    kind = "left_lateral" if side > 0 else "right_lateral"
    path = excursion(articulator, kind, 6, travel_mm=travel)
    x, z = travel * np.cos(np.radians(h)), -travel * np.sin(np.radians(h))
    medially = slack + x * np.tan(np.radians(bennett))
    working = -W / 2 + medially + np.sqrt(W**2 - x**2 - z**2)
    assert path.side_shift_mm[-1] == pytest.approx(side * (working - W / 2), abs=1e-9)
    element = path.steps[-1].elements_mm[0 if side > 0 else 1]
    np.testing.assert_allclose(element, [0.0, side * working, 0.0], atol=1e-9)


@pytest.mark.parametrize(("kind", "side"), [("left_lateral", 1.0), ("right_lateral", -1.0)])
def test_a_lateral_excursion_takes_the_front_to_its_own_side_and_advances_the_other(kind, side):
    path = excursion(unit(), kind, 5)
    incisal = path.points_path([90.0, 0.0, -35.0])[-1, 0]
    assert side * incisal[1] > 2.0
    left, right = path.steps[-1].elements_mm
    orbiting, working = (right, left) if side > 0 else (left, right)
    assert orbiting[0] > 3.0
    assert working[0] == pytest.approx(0.0, abs=1e-9)


def test_immediate_side_shift_comes_before_the_advance():
    articulator = unit(**both("immediate_side_shift_{}_mm", 1.0))
    path = excursion(articulator, "left_lateral", 6, travel_mm=5.0)
    first = path.steps[1]
    assert first.demand.advance_right_mm == 0.0
    np.testing.assert_allclose(path.side_shift_mm[:2], [0.0, 1.0], atol=1e-10)
    finer = excursion(articulator, "left_lateral", 12, travel_mm=5.0)
    np.testing.assert_allclose(finer.side_shift_mm[:3], [0.0, 0.5, 1.0], atol=1e-10)
    # A pure sideways translation of the whole lower, on a table without wings.
    np.testing.assert_allclose(first.motion.translation, [0.0, 1.0, 0.0], atol=1e-9)
    assert first.motion.rotation.magnitude() < 1e-10


def test_orbiting_element_holds_its_wall_and_the_working_one_its_stop():
    path = excursion(unit(), "left_lateral", 5)
    for step in path.reached[1:]:
        assert step.wall_gap_mm[1] == pytest.approx(0.0, abs=1e-9)
        np.testing.assert_allclose(step.elements_mm[0][[0, 2]], 0.0, atol=1e-9)
        assert step.wall_gap_mm[0] > 0.0


def test_without_bennett_angle_the_working_element_would_go_through_its_wall_and_it_is_told():
    path = excursion(unit(**both("bennett_{}_deg", 0.0)), "left_lateral", 5)
    assert path.steps[-1].wall_gap_mm[0] < 0.0
    assert path.side_shift_mm[-1] < 0.0


@given(SETTINGS)
@settings(max_examples=12, deadline=None)
def test_mirrored_settings_give_the_mirrored_excursion(fields):
    swapped = dict(fields)
    for name in fields:
        if "left" in name:
            other = name.replace("left", "right")
            swapped[name], swapped[other] = fields[other], fields[name]
    points = np.array([[90.0, 3.0, -35.0], [50.0, 25.0, -30.0]])
    a = excursion(unit(**fields), "left_lateral", 5).points_path(points)
    b = excursion(unit(**swapped), "right_lateral", 5).points_path(points * MIRROR)
    np.testing.assert_allclose(a, b * MIRROR, atol=1e-8)


@given(SETTINGS, KIND)
@settings(max_examples=12, deadline=None)
def test_the_path_does_not_depend_on_the_number_of_steps(fields, kind):
    articulator = unit(**fields)
    point = [90.0, 0.0, -35.0]
    coarse = excursion(articulator, kind, 2).points_path(point)[-1]
    fine = excursion(articulator, kind, 25).points_path(point)[-1]
    np.testing.assert_allclose(coarse, fine, atol=1e-8)


@pytest.mark.parametrize("scale", [0.9, 1.2])
def test_scaling_every_length_scales_the_path(scale):
    fields = {"guide_radius_left_mm": 20.0, "immediate_side_shift_right_mm": 0.5}
    small = unit(intercondylar_mm=100.0, **fields)
    large = unit(
        TIP * scale, intercondylar_mm=100.0 * scale, **{k: v * scale for k, v in fields.items()}
    )
    point = np.array([90.0, 0.0, -35.0])
    a = excursion(small, "left_lateral", 5, travel_mm=5.0).points_path(point)
    b = excursion(large, "left_lateral", 5, travel_mm=5.0 * scale).points_path(point * scale)
    np.testing.assert_allclose(a * scale, b, atol=1e-9)


def test_mixed_excursions_end_in_the_pure_ones():
    articulator = unit(incisal_lateral_deg=15.0)
    point = [90.0, 0.0, -35.0]
    for mix, kind in ((Mix(5.0, 0.0), "protrusion"), (Mix(0.0, -5.0), "right_lateral")):
        a = excursion(articulator, "mixed", 4, mix=mix).points_path(point)
        b = excursion(articulator, kind, 4, travel_mm=5.0).points_path(point)
        np.testing.assert_allclose(a, b, atol=1e-12)
    between = excursion(articulator, "mixed", 4, mix=Mix(3.0, 2.0))
    assert between.complete
    assert max(s.residual_mm for s in between.steps) < 1e-9
    advance = between.steps[-1].demand
    assert (advance.advance_left_mm, advance.advance_right_mm) == pytest.approx((3.0, 5.0))


def test_straight_protrusion_on_unequal_guides_rolls_and_keeps_its_middle_on_the_midline():
    articulator = unit(sagittal_inclination_left_deg=50.0, sagittal_inclination_right_deg=30.0)
    last = excursion(articulator, "protrusion", 5).steps[-1]
    assert last.elements_mm[:, 1].mean() == pytest.approx(0.0, abs=1e-10)
    # The steeper left side goes lower: a roll about +x that takes the left down.
    assert last.motion.rotation.as_rotvec()[0] < -0.001


def test_hinge_path_is_an_arc_about_the_axis_with_free_steps():
    path = excursion(unit(), "hinge", 6, opening_deg=12.0)
    points = np.array([[90.0, 0.0, -35.0], [50.0, 20.0, -30.0]])
    traced = path.points_path(points)
    axis = HingeAxis([0.0, 50.0, 0.0], [0.0, -50.0, 0.0])
    np.testing.assert_allclose(
        axis.distance_mm(traced), np.broadcast_to(axis.distance_mm(points), traced.shape[:2])
    )
    assert [s.status for s in path.steps] == ["on_pin"] + ["free"] * 6
    chord = np.linalg.norm(traced[-1, 0] - traced[0, 0])
    radius = float(axis.distance_mm(points[0]))
    assert chord == pytest.approx(2.0 * radius * np.sin(np.radians(6.0)))


def test_curved_guide_that_ends_stops_the_excursion_and_is_named():
    articulator = unit(
        **both("sagittal_inclination_{}_deg", -20.0), **both("guide_radius_{}_mm", 6.0)
    )
    path = excursion(articulator, "right_lateral", travel_mm=15.0)
    assert path.steps[-1].status == "unreachable"
    assert not path.complete
    assert "articulator.guide_radius_left_mm" in path.message
    assert path.requested == 20
    assert len(path.steps) < 21
    last, stopped = path.steps[-2:]
    np.testing.assert_array_equal(stopped.motion.as_matrix(), last.motion.as_matrix())
    np.testing.assert_array_equal(stopped.elements_mm, last.elements_mm)


def test_pin_that_cannot_reach_its_table_is_unreachable():
    """A lower pin whose circle about the moved axis misses a distant table."""
    articulator = build_articulator(
        ArticulatorSettings(), TIP, pin_on="lower", table_point_mm=np.add(TIP, [0, 0, 400])
    )
    path = excursion(articulator, "protrusion", 5)
    assert path.steps[-1].status == "unreachable"
    assert "articulator.intercondylar_mm" in path.message


def test_medial_walls_that_cross_the_middle_are_refused_by_name():
    articulator = unit(intercondylar_mm=60.0, bennett_right_deg=45.0)
    narrow = replace(articulator, right=replace(articulator.right, start_mm=[0.0, -10.0, 0.0]))
    with pytest.raises(InputError, match=r"articulator\.bennett_right_deg"):
        excursion(narrow, "left_lateral", 5, travel_mm=20.0)


@pytest.mark.parametrize(
    ("kind", "keys", "where"),
    [
        ("sideways", {}, "excursion"),
        ("protrusion", {"steps": 0}, "steps"),
        ("protrusion", {"travel_mm": -1.0}, "travel_mm"),
        ("protrusion", {"travel_mm": 50.0}, "travel_mm"),
        ("protrusion", {"front": "teeth"}, "front"),
        ("protrusion", {"front": "lips"}, "front"),
        ("mixed", {}, "mix"),
        ("mixed", {"mix": Mix(-1.0, 3.0)}, "travel_mm"),
        ("mixed", {"mix": Mix(1.0, 3.0, side=2.0)}, "mix.side"),
        ("hinge", {"opening_deg": 90.0}, "opening_deg"),
    ],
)
def test_impossible_requests_are_named(kind, keys, where):
    with pytest.raises(InputError) as caught:
        excursion(unit(), kind, **keys)
    assert caught.value.where == where


@pytest.mark.parametrize(
    ("teeth", "point", "words"),
    [
        ((16, 46), [50.0, -20.0, -30.0], "teeth 16 and 46"),
        (
            (0, 46),
            [50.0, -20.0, -30.0],
            "50 mm in front of the hinge axis, 20 mm to the patient's right",
        ),
        ((0, 0), [50.0, 20.0, -30.0], "20 mm to the patient's left"),
        ((0, 0), [np.nan, np.nan, np.nan], "the casts (teeth not labelled)"),
    ],
)
def test_a_contact_is_named_by_teeth_or_place(teeth, point, words):
    contact = SimpleNamespace(upper_tooth=teeth[0], lower_tooth=teeth[1], point_mm=np.array(point))
    assert words in contact_words(contact)
