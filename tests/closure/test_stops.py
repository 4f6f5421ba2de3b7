"""Closure about two axes: hand cases, properties, other libraries, and the ten-digit values."""

import re

import mpmath
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pytransform3d import transformations as pt
from pytransform3d.rotations import matrix_from_axis_angle
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import InputError
from kinematics.closure.batch import ANGLE, OpeningRule, closures
from kinematics.closure.stops import (
    error_motion,
    high_amount,
    opening_for_drop,
    opening_to_height,
    pin_closing,
    screw,
)
from tests import AUTHORITIES
from tests.makers.strategies import axes, motions, numbers, points
from tests.oracles import arcs

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
PIN, INCISOR, MOLAR = (np.array([x, 0.0, -35.0]) for x in (130.0, 90.0, 50.0))
UM = 1000.0
TABLE = (AUTHORITIES / "sagittal_closure.md").read_text()
ROW = re.compile(r"^\| (-?\d+), (-?\d+) \| (.+) \|$", re.MULTILINE)
ROWS = [
    ((float(a), float(b)), [tuple(map(float, cell.split(", "))) for cell in cells.split(" | ")])
    for a, b, cells in ROW.findall(TABLE)
]


def arbitrary(a, b):
    return TRUE.shifted(
        left_anterior_mm=a, right_anterior_mm=a, left_superior_mm=b, right_superior_mm=b
    )


def opening_deg(drop_mm=3.0, at=INCISOR):
    return opening_for_drop(TRUE, at, drop_mm)


def stopped_error(a, b, stop_at, at):
    """Error at a point when the height of ``stop_at`` is restored, through the 3D code, µm."""
    theta = opening_deg()
    record = closing_motion(TRUE, theta).inv().apply(stop_at)
    phi = pin_closing(TRUE, arbitrary(a, b), theta, record)
    error = error_motion(TRUE, arbitrary(a, b), theta, phi).apply(at) - at
    assert abs(error[1]) < 1e-12
    return error[[0, 2]] * UM


def test_the_table_was_read_whole():
    assert len(ROWS) == 6
    assert all(len(cells) == 6 for _, cells in ROWS)


def test_opening_three_mm_at_the_incisor_is_the_printed_angle():
    # published_values.md 8.6 (derived there, 15 printed digits)
    assert np.radians(opening_deg()) == pytest.approx(0.033558590507974, abs=1e-14)


@pytest.mark.parametrize(("axis_error", "cells"), ROWS)
def test_closure_errors_equal_the_printed_ones_to_their_digits(axis_error, cells):
    # published_values.md 8.6, compared to 1e-3 µm as the source asks (printed to 1e-4)
    a, b = axis_error
    theta = opening_deg()
    same = error_motion(TRUE, arbitrary(a, b), theta, theta)
    ours = [
        (same.apply(MOLAR) - MOLAR)[[0, 2]] * UM,
        stopped_error(a, b, PIN, MOLAR),
        stopped_error(a, b, PIN, INCISOR),
        stopped_error(a, b, INCISOR, MOLAR),
        stopped_error(a, b, MOLAR, MOLAR),
        stopped_error(a, b, MOLAR, INCISOR),
    ]
    np.testing.assert_allclose(ours, cells, atol=1e-3)


@pytest.mark.parametrize(
    ("axis_error", "printed"),
    [((5, 0), (1341.809, 1972.795, 3722.394)), ((0, 5), (-21.627, -31.222, -56.117))],
)
def test_stop_angles_differ_from_theta_by_the_printed_microradians(axis_error, printed):
    # published_values.md 8.6, printed to 1e-3 µrad
    theta = opening_deg()
    for stop_at, value in zip((PIN, INCISOR, MOLAR), printed, strict=True):
        record = closing_motion(TRUE, theta).inv().apply(stop_at)
        phi = pin_closing(TRUE, arbitrary(*axis_error), theta, record)
        assert np.radians(phi - theta) * 1e6 == pytest.approx(value, abs=1e-3)


@pytest.mark.parametrize(
    ("drop", "at", "printed_um"),
    [
        (3, INCISOR, 167.7851),
        (2, INCISOR, 111.6024),
        (3, MOLAR, 306.7302),
        (2, MOLAR, 202.9243),
        (3, PIN, 115.7531),
    ],
)
def test_equal_angle_error_has_the_printed_size_for_any_five_mm_axis_error(drop, at, printed_um):
    # published_values.md 8.6, printed to 1e-4 µm
    theta = opening_deg(drop, at)
    for a, b in ((5, 0), (0, -5), (3, -4)):
        error = error_motion(TRUE, arbitrary(a, b), theta, theta).apply(MOLAR) - MOLAR
        assert np.linalg.norm(error) * UM == pytest.approx(printed_um, abs=1e-4)


@pytest.mark.parametrize(
    ("axis_error", "at", "printed_um"),
    [
        ((5, 0), MOLAR, 105.3672796),
        ((5, 0), INCISOR, 66.60727585),
        ((0, 5), MOLAR, 129.3302789),
        ((0, 5), INCISOR, 152.1843473),
        ((-5, 0), MOLAR, -92.29149143),
        ((0, -5), MOLAR, -142.3381949),
    ],
)
def test_arc_gap_equals_the_printed_one_and_the_best_match_over_all_angles(
    axis_error, at, printed_um
):
    # published_values.md 8.6, ten printed digits; then the same by search with the 3D code
    theta = opening_deg()
    gap = arcs.arc_gap(at[[0, 2]], axis_error, theta) * UM
    assert gap == pytest.approx(printed_um, abs=1e-6)
    angles = np.linspace(theta - 0.5, theta + 0.5, 4001)
    axis = arbitrary(*axis_error)
    distances = [
        np.linalg.norm(error_motion(TRUE, axis, theta, phi).apply(at) - at) for phi in angles
    ]
    assert min(distances) * UM == pytest.approx(abs(printed_um), abs=0.1)


@pytest.mark.parametrize(
    ("height", "printed"),
    [
        (0.0, (3, 2.0769231, 1.6615385, 1.3846154, 1.1538462)),
        (-35.0, (3, 2.0740372, 1.6573539, 1.3795651, 1.1480744)),
    ],
)
def test_opening_falls_off_from_pin_to_molar_as_printed_and_near_three_two_one(height, printed):
    # published_values.md 8.6 to 1e-7 mm; 3:2:1 is a rule of thumb (Rebibo 2009, from memory)
    sites = [np.array([x, 0.0, height]) for x in (130, 90, 72, 60, 50)]
    opened = closing_motion(TRUE, opening_deg(3.0, sites[0])).inv()
    drops = [float(p[2] - opened.apply(p)[2]) for p in sites]
    np.testing.assert_allclose(drops, printed, atol=1e-7)
    np.testing.assert_allclose([drops[0], drops[1], drops[4]], [3, 2, 1], atol=0.2)
    if height:
        back = opened.apply(sites[1])[0] - sites[1][0]
        assert back == pytest.approx(-0.83433527, abs=1e-8)


def test_five_mm_axis_error_with_a_three_mm_record_errs_by_one_to_three_tenths_at_the_molar():
    # Weinberg 1959/1961: about 0.2 mm (from memory; geometry not verified): a one-digit band only
    for a, b in ((5, 0), (0, 5), (-5, 0), (0, -5)):
        theta = opening_deg(3.0, INCISOR)
        error = error_motion(TRUE, arbitrary(a, b), theta, theta).apply(MOLAR) - MOLAR
        assert 0.1 <= np.linalg.norm(error) <= 0.3


def test_two_mm_change_with_published_scatter_gives_the_published_bands():
    # Morneburg & Proschel 2002 (abstract, read): 2 mm change, second molar, horizontal error
    # < 300 µm in 87 %, 300 to 500 in 12 %, > 500 in 1 %. The superior scatter (4.95 mm) and the
    # place of the 2 mm (second molar, 50 mm ahead) are inferred in published_values.md 1, not
    # theirs; so this checks that the 3D code turns that inference into their distribution.
    rng = np.random.default_rng(20260101)
    theta = opening_deg(2.0, np.array([50.0, 0.0, 0.0]))
    superior = rng.normal(0.0, 4.95, 4000)
    horizontal = np.array(
        [
            abs((error_motion(TRUE, arbitrary(0, b), theta, theta).apply(MOLAR) - MOLAR)[0])
            for b in superior
        ]
    )
    shares = [np.mean(horizontal < 0.3), np.mean((horizontal >= 0.3) & (horizontal <= 0.5))]
    np.testing.assert_allclose(shares, [0.87, 0.12], atol=0.02)
    assert np.mean(horizontal > 0.5) == pytest.approx(0.01, abs=0.01)


@given(numbers(-12, 12), numbers(-12, 12), numbers(-6, 6), numbers(-6, 6))
def test_3d_code_equals_the_sagittal_closed_form_at_any_angle(a, b, theta, phi):
    for point in (MOLAR, INCISOR):
        ours = error_motion(TRUE, arbitrary(a, b), theta, phi).apply(point) - point
        np.testing.assert_allclose(
            ours[[0, 2]], arcs.any_angle_error(point[[0, 2]], (a, b), theta, phi), atol=1e-11
        )


@given(numbers(-12, 12), numbers(-12, 12), numbers(-6, 6))
def test_pin_stop_equals_the_closed_form_and_restores_the_height(a, b, theta):
    record = closing_motion(TRUE, theta).inv().apply(PIN)
    phi = pin_closing(TRUE, arbitrary(a, b), theta, record)
    assert phi == pytest.approx(arcs.height_stop_angle(PIN[[0, 2]], (a, b), theta), abs=1e-10)
    held = closing_motion(arbitrary(a, b), phi).apply(record)
    assert held[2] == pytest.approx(PIN[2], abs=1e-11)


@given(axes(), points(), numbers(-8, 8))
def test_opening_to_height_reaches_the_height_about_any_axis(axis, offset, drop):
    point = np.array([90.0, 0.0, -35.0]) + 0.1 * offset
    turned = opening_for_drop(axis, point, drop)
    moved = closing_motion(axis, -turned).apply(point)
    assert moved[2] == pytest.approx(point[2] - drop, abs=1e-10)
    assert abs(turned) < 20


def test_a_height_out_of_reach_is_refused_with_the_reach():
    with pytest.raises(InputError, match=r"circle of radius 96\.\d+ mm about the axis can reach"):
        opening_to_height(TRUE, INCISOR, -400.0)


@given(axes(), axes(), numbers(-6, 6), numbers(-6, 6), points())
def test_error_motion_equals_pytransform3d_chain(true, other, theta, phi, point):
    # Independent general library: pytransform3d (matrices and column vectors)
    def turn(axis, closing):
        a = np.hstack([-axis.direction, np.radians(closing)])
        to = pt.transform_from(np.eye(3), -axis.midpoint_mm)
        spin = pt.transform_from(matrix_from_axis_angle(a), np.zeros(3))
        return pt.concat(pt.concat(to, spin), pt.invert_transform(to))

    chain = pt.concat(pt.invert_transform(turn(true, theta)), turn(other, phi))
    expected = pt.transform(chain, pt.vector_to_point(point))[:3]
    ours = error_motion(true, other, theta, phi).apply(point)
    np.testing.assert_allclose(ours, expected, atol=1e-10)


def test_error_motion_equals_a_chain_in_fifty_digits():
    true = HingeAxis([0, 52.3, 0], [0, -52.3, 0])
    other = true.shifted(
        left_anterior_mm=4.1, left_superior_mm=-3.2, right_anterior_mm=6.7, right_superior_mm=0.4
    )
    theta, phi, point = 1.9, 1.93, np.array([48.0, 24.0, -33.0])
    with mpmath.workdps(50):

        def turn(axis, closing_deg, p):
            left, right = (
                mpmath.matrix(list(q)) for q in (axis.left_point_mm, axis.right_point_mm)
            )
            u = (right - left) / mpmath.norm(right - left)
            c = (left + right) / 2
            q = p - c
            t = mpmath.radians(mpmath.mpf(closing_deg))
            cross = mpmath.matrix(
                [u[1] * q[2] - u[2] * q[1], u[2] * q[0] - u[0] * q[2], u[0] * q[1] - u[1] * q[0]]
            )
            dot = sum(u[i] * q[i] for i in range(3))
            return c + q * mpmath.cos(t) + cross * mpmath.sin(t) + u * dot * (1 - mpmath.cos(t))

        p = mpmath.matrix(list(point))
        moved = turn(other, phi, turn(true, -theta, p)) - p
        exact = [float(x) for x in moved]
    ours = error_motion(true, other, theta, phi).apply(point) - point
    np.testing.assert_allclose(ours, exact, atol=1e-12)


@given(axes(), axes(), motions(), numbers(-6, 6), numbers(-6, 6), points())
def test_errors_turn_with_the_patient(true, other, motion, theta, phi, point):
    here = error_motion(true, other, theta, phi).apply(point) - point
    moved_point = motion.apply(point)
    there = (
        error_motion(true.transformed(motion), other.transformed(motion), theta, phi).apply(
            moved_point
        )
        - moved_point
    )
    np.testing.assert_allclose(there, motion.rotation.apply(here), atol=1e-8)


@given(axes(), numbers(-8, 8), points())
def test_the_true_axis_makes_no_error_and_neither_does_a_record_at_the_target(axis, theta, point):
    np.testing.assert_allclose(
        error_motion(axis, axis, theta, theta).apply(point), point, atol=1e-9
    )
    np.testing.assert_allclose(error_motion(TRUE, axis, 0.0, 0.0).apply(point), point, atol=1e-12)


@given(numbers(-8, 8), numbers(-8, 8), numbers(-6, 6), points(), points())
def test_parallel_axes_at_equal_angles_move_every_tooth_alike(a, b, theta, p, q):
    motion = error_motion(TRUE, arbitrary(a, b), theta, theta)
    np.testing.assert_allclose(motion.apply(p) - p, motion.apply(q) - q, atol=1e-11)
    size = 2 * abs(np.sin(np.radians(theta) / 2)) * np.hypot(a, b)
    assert np.linalg.norm(motion.apply(p) - p) == pytest.approx(size, abs=1e-11)


@given(axes(), numbers(0.1, 6), st.sampled_from([0.5, 2.0, 10.0]), points())
def test_scaling_all_lengths_scales_the_error(other, theta, scale, point):
    assume(scale * other.width_mm < 300 and scale * other.width_mm > 20)
    big = HingeAxis(scale * other.left_point_mm, scale * other.right_point_mm)
    here = error_motion(TRUE, other, theta, theta).apply(point) - point
    there = error_motion(TRUE, big, theta, theta).apply(scale * point) - scale * point
    np.testing.assert_allclose(there, scale * here, atol=1e-9)


def test_an_unequal_axis_error_moves_teeth_sideways_as_much_as_lengthwise():
    # First order: E = theta (u' - u) x P - ...; 5 mm of opposite anterior error over 110 mm width
    other = TRUE.shifted(left_anterior_mm=5, right_anterior_mm=-5)
    theta = opening_deg()
    error = error_motion(TRUE, other, theta, theta).apply(MOLAR) - MOLAR
    by_hand = np.radians(theta) * (10.0 / 110.0) * 35.0
    assert abs(error[1]) == pytest.approx(by_hand, rel=0.02)
    assert abs(error[1]) > 5 * abs(error[0])


def test_an_anterior_axis_error_on_closing_leaves_teeth_low_and_the_restoration_high():
    theta = opening_deg()
    rule = OpeningRule(ANGLE, 0.0, MOLAR)
    result = closures(
        TRUE.points_mm[None], arbitrary(5, 0).points_mm[None], MOLAR[None],
        np.array([[0, 0, 1.0]]), MOLAR, rule, np.array([theta]), rule, np.zeros(1),
        "equal_angle",
    )  # fmt: skip
    assert result.error_mm[0, 0, 2] < 0
    assert result.high_mm[0, 0] == pytest.approx(0.1677615, abs=1e-7)


@given(motions(5.0), st.lists(points(), min_size=1, max_size=4))
def test_high_amount_is_minus_the_error_along_the_normal(motion, many):
    p = np.array(many)
    n = np.tile([0.6, 0.0, 0.8], (len(p), 1))
    expected = [-(motion.apply(x) - x) @ [0.6, 0.0, 0.8] for x in p]
    np.testing.assert_allclose(high_amount(motion, p, n), expected, atol=1e-9)


@given(axes(), numbers(0.01, 60), numbers(-20, 20))
def test_screw_returns_the_line_angle_and_slide_it_was_made_from(axis, angle, slide):
    spin = closing_motion(axis, -angle)
    motion = RigidTransform.from_translation(slide * axis.direction) * spin
    found = screw(motion)
    assert found.angle_deg == pytest.approx(angle, abs=1e-9)
    assert found.slide_mm == pytest.approx(slide, abs=1e-7)
    assert axis.distance_mm(found.point_mm) < 1e-4
    np.testing.assert_allclose(found.direction, axis.direction, atol=1e-7)


def test_screw_of_a_translation_and_of_the_identity():
    slide = screw(RigidTransform.from_translation([0.0, 3.0, 4.0]))
    assert (slide.angle_deg, slide.slide_mm) == (0.0, 5.0)
    np.testing.assert_allclose(slide.direction, [0, 0.6, 0.8])
    none = screw(RigidTransform.identity())
    assert (none.angle_deg, none.slide_mm) == (0.0, 0.0)


@given(numbers(1, 200), numbers(-90, 90))
def test_arc_chord_and_sagitta_agree_with_high_precision_and_with_each_other(r, angle):
    with mpmath.workdps(50):
        t = mpmath.radians(mpmath.mpf(angle))
        exact = (r * t, 2 * r * mpmath.sin(t / 2), r * (1 - mpmath.cos(t / 2)))
    ours = (arcs.arc_length(r, angle), arcs.chord(r, angle), arcs.sagitta(r, angle))
    np.testing.assert_allclose(ours, [float(x) for x in exact], rtol=1e-13, atol=1e-30)
    # Chord theorem: (c/2)^2 = s (2r - s)
    s, c = ours[2], ours[1]
    assert (c / 2) ** 2 == pytest.approx(s * (2 * r - s), rel=1e-12, abs=1e-15)


@given(points(), numbers(0.01, 60))
def test_the_3d_chord_of_any_point_is_its_radius_times_two_sine_of_half_the_angle(point, angle):
    moved = closing_motion(TRUE, angle).apply(point)
    chord = arcs.chord(float(TRUE.distance_mm(point)), angle)
    assert np.linalg.norm(moved - point) == pytest.approx(chord, abs=1e-11)


def test_rotation_class_is_used_actively():
    turned = Rotation.from_euler("y", 90, degrees=True).apply([1.0, 0.0, 0.0])
    np.testing.assert_allclose(turned, [0, 0, -1], atol=1e-15)
