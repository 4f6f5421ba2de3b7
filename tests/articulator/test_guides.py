"""Guide surfaces: closed forms, gradients, limits, and errors that name the setting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.articulator.guides import CondylarGuide, IncisalTable, incisal_table
from kinematics.base.errors import InputError

INCLINATIONS = st.floats(-20.0, 80.0)
RADII = st.one_of(st.none(), st.floats(6.0, 200.0))
OFFSETS = st.tuples(*[st.floats(-5.0, 8.0)] * 3)


def guide(side="left", inclination=40.0, bennett=8.0, shift=0.4, radius=None):
    y = 55.0 if side == "left" else -55.0
    return CondylarGuide(side, np.array([0.0, y, 0.0]), inclination, bennett, shift, radius)


def test_flat_roof_lies_where_the_inclination_says():
    flat = guide(inclination=30.0)
    on = np.array([3.0, 52.0, -3.0 * np.tan(np.radians(30.0))])
    assert flat.roof(on)[0] == pytest.approx(0.0, abs=1e-14)
    assert flat.roof(on - [0.0, 0.0, 1.0])[0] == pytest.approx(np.cos(np.radians(30.0)))


def test_wall_opens_at_the_bennett_angle_after_the_side_shift():
    left, right = guide("left"), guide("right")
    reach = 0.4 + 5.0 * np.tan(np.radians(8.0))
    assert left.wall(np.array([5.0, 55.0 - reach, -3.0]))[0] == pytest.approx(0.0, abs=1e-13)
    assert right.wall(np.array([5.0, -55.0 + reach, -3.0]))[0] == pytest.approx(0.0, abs=1e-13)
    # Nearer the middle than the wall is through it.
    assert left.wall(np.array([5.0, 50.0, 0.0]))[0] < 0.0
    assert right.wall(np.array([5.0, -50.0, 0.0]))[0] < 0.0


@given(INCLINATIONS, st.floats(6.0, 200.0), st.floats(0.1, 8.0))
@settings(max_examples=60, deadline=None)
def test_curved_guide_is_an_arc_of_its_radius_whose_chord_flattens_by_half_the_turn(h, radius, s):
    """Independent form: integrate the tangent angle h - s/R (derived here)."""
    curved = guide(inclination=h, radius=radius)
    t = np.linspace(0.0, s, 2001)
    angle = np.radians(h) - t / radius
    x, z = np.trapezoid(np.cos(angle), t), -np.trapezoid(np.sin(angle), t)
    assert curved.forward_mm(s) == pytest.approx(x, abs=1e-5)
    assert curved.roof(np.add(curved.start_mm, [x, -1.0, z]))[0] == pytest.approx(0.0, abs=1e-5)
    chord = np.degrees(np.arctan2(-z, x))
    assert chord == pytest.approx(h - np.degrees(s / (2.0 * radius)), abs=1e-3)


@given(INCLINATIONS, OFFSETS)
@settings(max_examples=30, deadline=None)
def test_curved_guide_becomes_flat_as_its_radius_grows(h, offset):
    """The roofs differ by the arc's sagitta, |q|^2 / 2R at most."""
    radius = 1e7
    q = np.array(offset)
    curved, flat = guide(inclination=h, radius=radius), guide(inclination=h)
    gap = curved.roof(curved.start_mm + q)[0] - flat.roof(flat.start_mm + q)[0]
    assert abs(gap) <= q @ q / (2.0 * radius) + 1e-9


@given(INCLINATIONS, RADII, OFFSETS, st.sampled_from(["left", "right"]))
@settings(max_examples=60, deadline=None)
def test_gradients_are_the_derivatives(h, radius, offset, side):
    surface = guide(side, inclination=h, radius=radius)
    # Below the roof, as in use; the centre of a curved guide (singular) lies above it.
    at = surface.start_mm + np.array(offset) - surface.roof(surface.start_mm)[1] * -4.0
    for function in (surface.roof, surface.wall):
        gradient = function(at)[1]
        for axis in np.eye(3):
            slope = (function(at + 1e-5 * axis)[0] - function(at - 1e-5 * axis)[0]) / 2e-5
            assert gradient @ axis == pytest.approx(slope, abs=1e-4)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"inclination": 95.0}, "articulator.sagittal_inclination_left_deg"),
        ({"inclination": float("nan")}, "articulator.sagittal_inclination_left_deg"),
        ({"bennett": -1.0}, "articulator.bennett_left_deg"),
        ({"shift": 9.0}, "articulator.immediate_side_shift_left_mm"),
        ({"radius": 2.0}, "articulator.guide_radius_left_mm"),
    ],
)
def test_impossible_setting_is_named(change, name):
    with pytest.raises(InputError) as caught:
        guide(**change)
    assert caught.value.where == name


@given(st.floats(-20.0, 80.0), st.floats(0.0, 80.0), st.floats(0.0, 10.0), st.floats(-5.0, 5.0))
@settings(max_examples=50, deadline=None)
def test_table_lowers_the_front_by_the_tangents(sagittal, lateral, forward, sideways):
    table = incisal_table([130.0, 0.0, -35.0], sagittal, lateral)
    drop = forward * np.tan(np.radians(sagittal)) + abs(sideways) * np.tan(np.radians(lateral))
    on = np.array([130.0 + forward, sideways, -35.0 - drop])
    gaps = table.gaps(on)
    assert gaps.min() == pytest.approx(0.0, abs=1e-9)


def test_table_gap_does_not_depend_on_the_frame():
    table = incisal_table([130.0, 0.0, -35.0], 20.0, 10.0)
    motion = RigidTransform.from_components(
        [3.0, -4.0, 5.0], Rotation.from_rotvec([0.1, -0.2, 0.3])
    )
    point = np.array([133.0, 2.0, -41.0])
    np.testing.assert_allclose(table.moved(motion).gaps(motion.apply(point)), table.gaps(point))


def test_table_normals_are_unit_and_read_only():
    table = IncisalTable(np.zeros(3), np.array([[0.0, 0.0, 5.0]]))
    np.testing.assert_allclose(table.normals, [[0.0, 0.0, 1.0]])
    with pytest.raises(ValueError, match="read-only"):
        table.normals[0, 0] = 1.0


@pytest.mark.parametrize("radius", [5.9, -10.0, np.inf, np.nan])
def test_a_guide_s_radius_that_no_housing_has_is_refused(radius):
    with pytest.raises(InputError, match="guide_radius_left_mm"):
        guide(radius=radius)
