"""Closures of many samples against the one-at-a-time closure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, closing_motion, opening_motion
from kinematics.closure.batch import (
    ANGLE,
    DROP,
    OpeningRule,
    closures,
    identity_motions,
    record_motions,
)
from kinematics.uncertainty.populations import OFFSETS
from tests.oracles.closure import (
    opening_for_drop,
    openings_to_height,
    pin_closing,
    stop_result,
)

MARKS = np.array([[50.0, 25.0, -35.0], [50.0, -25.0, -35.0], [90.0, 0.0, -35.0]])
NORMALS = np.array([[0.0, 0.6, 0.8], [0.0, 0.0, 1.0], [0.36, 0.48, 0.8]])
PIN = np.array([130.0, 0.0, -35.0])
INCISAL = MARKS[2]
LEFT, RIGHT = np.array([0.0, 55.0, 0.0]), np.array([0.0, -55.0, 0.0])


def axis(offset):
    move = dict(zip(OFFSETS, map(float, offset), strict=True))
    return HingeAxis(LEFT, RIGHT).shifted(**move)


def points(axes):
    return np.array([[a.left_point_mm, a.right_point_mm] for a in axes])


def one_at_a_time(true, used, record, record_value, target, target_value, stop, move, phi):
    """The same sample by rigid transforms."""
    marks = move.apply(MARKS)
    if target.kind == ANGLE:
        target_deg = target_value
    else:
        site = target.site_mm if target.on_pin else move.apply(target.site_mm)
        target_deg = opening_for_drop(true, site, target_value)
    if record.kind == ANGLE:
        record_deg = record_value
    else:
        site = record.site_mm if record.on_pin else move.apply(record.site_mm)
        record_deg = opening_for_drop(true, site, record_value)
    if stop == "contact":  # both bites close to where their own teeth meet
        target_deg = record_deg - phi[0]
    theta = record_deg - target_deg
    if stop == "equal_angle":
        closing = theta
    elif stop == "pin":
        closing = pin_closing(true, used, theta, opening_motion(true, record_deg).apply(PIN))
    else:
        closing = phi[1]
    to_target = opening_motion(true, target_deg)
    normals = to_target.rotation.apply(move.rotation.apply(NORMALS))
    return stop_result(stop, true, used, theta, closing, to_target.apply(marks), normals)


offsets = st.lists(st.floats(-8.0, 8.0), min_size=4, max_size=4)


@settings(max_examples=60)
@given(
    offsets,
    offsets,
    st.sampled_from([(ANGLE, False), (DROP, False), (DROP, True)]),
    st.floats(-6.0, 6.0),
    st.sampled_from([(ANGLE, False), (DROP, False), (DROP, True)]),
    st.floats(-3.0, 3.0),
    st.sampled_from(["equal_angle", "pin", "contact"]),
    st.lists(st.floats(-0.02, 0.02), min_size=3, max_size=3),
    st.lists(st.floats(-3.0, 3.0), min_size=3, max_size=3),
)
def test_each_row_equals_the_single_closure(
    e, a, record_form, record_value, target_form, target_value, stop, turn, shift
):
    true, used = axis(e), axis(a)
    record = OpeningRule(record_form[0], 0.0, PIN if record_form[1] else INCISAL, record_form[1])
    target = OpeningRule(target_form[0], 0.0, PIN if target_form[1] else MARKS[0], target_form[1])
    move = RigidTransform.from_exp_coords(np.r_[turn, shift])
    matrix = move.as_matrix()
    motion = np.vstack([matrix[:3, :3], matrix[:3, 3]])[None]
    batch = closures(
        points([true]),
        points([used]),
        MARKS,
        NORMALS,
        PIN,
        record,
        np.array([record_value, record_value]),
        target,
        np.array([target_value, target_value]),
        stop,
        cast_motions=motion,
        contact_closing_deg=np.tile([1.2, 1.7], (2, 1)),
    )
    told = one_at_a_time(
        true, used, record, record_value, target, target_value, stop, move, (1.2, 1.7)
    )
    for row in range(2):
        assert batch.error_mm[row] == pytest.approx(told.error_mm, abs=1e-10)
        assert batch.high_mm[row] == pytest.approx(told.high_mm, abs=1e-10)
        assert batch.closing_deg[row] == pytest.approx(told.closing_deg, abs=1e-10)
    assert batch.magnitude_mm[0] == pytest.approx(told.magnitude_mm, abs=1e-10)


def test_rows_do_not_depend_on_each_other():
    rng = np.random.default_rng(1)
    true = points([axis(rng.normal(0, 1, 4)) for _ in range(50)])
    used = points([axis(rng.normal(0, 5, 4)) for _ in range(50)])
    record = OpeningRule(DROP, 0.0, INCISAL)
    target = OpeningRule(ANGLE, 0.0, INCISAL)
    values, zero = rng.normal(3, 0.1, 50), np.zeros(50)

    def run(rows):
        return closures(
            true[rows], used[rows], MARKS, NORMALS, PIN,
            record, values[rows], target, zero[rows], "pin",
        )  # fmt: skip

    whole, part = run(np.arange(50)), run(np.array([17, 3]))
    assert (whole.error_mm[[17, 3]] == part.error_mm).all()


def test_a_height_out_of_reach_is_not_a_number_for_that_row_only():
    record = OpeningRule(DROP, 0.0, INCISAL)
    target = OpeningRule(ANGLE, 0.0, INCISAL)
    batch = closures(
        points([axis(np.zeros(4))]), points([axis(np.ones(4))]), MARKS, NORMALS, PIN,
        record, np.array([3.0, 500.0]), target, np.zeros(2), "pin",
    )  # fmt: skip
    assert np.isfinite(batch.error_mm[0]).all()
    assert np.isnan(batch.error_mm[1]).all()


def test_the_record_motion_is_the_opening_about_the_true_axis():
    true = axis([0.4, -0.7, 1.1, 0.2])
    motion = record_motions(points([true]), np.array([2.5]))[0]
    matrix = opening_motion(true, 2.5).as_matrix()
    assert motion[:3] == pytest.approx(matrix[:3, :3], abs=1e-15)
    assert motion[3] == pytest.approx(matrix[:3, 3], abs=1e-12)


@pytest.mark.parametrize(
    ("name", "rows"),
    [("true_points_mm", 2), ("used_points_mm", 2), ("target_value", 1), ("contact_closing_deg", 1),
     ("cast_motions", 2), ("normals", 2), ("pin_tip_mm", 2)],
)  # fmt: skip
def test_rows_that_do_not_fit_are_refused_before_a_kernel_reads_past_their_end(name, rows):
    rule = OpeningRule(ANGLE, 0.0, INCISAL)
    whole = {
        "true_points_mm": points([axis(np.zeros(4))] * 3),
        "used_points_mm": points([axis(np.ones(4))] * 3),
        "landmarks_mm": MARKS,
        "normals": NORMALS,
        "pin_tip_mm": PIN,
        "record": rule,
        "record_value": np.ones(3),
        "target": rule,
        "target_value": np.zeros(3),
        "stop": "contact",
        "contact_closing_deg": np.ones((3, 2)),
        "cast_motions": np.repeat(identity_motions(), 3, axis=0),
    }
    assert closures(**whole).error_mm.shape == (3, 3, 3)
    with pytest.raises(ValueError, match="rows where"):
        closures(**(whole | {name: whole[name][:rows]}))


def test_an_axis_for_every_opening_is_needed_or_one_for_all():
    with pytest.raises(ValueError, match="2 rows where 3"):
        record_motions(points([axis(np.zeros(4))] * 2), np.ones(3))


TRUE = HingeAxis(LEFT, RIGHT)


def cloud(n, seed=3):
    spread = np.random.default_rng(seed).normal(0, 6.0, (n, 2, 3))
    return np.array([LEFT, RIGHT]) + spread


def landmarks(k=28):
    return np.array([70.0, 0.0, -35.0]) + np.random.default_rng(5).uniform(-25, 25, (k, 3))


def errors_of(axes, marks, theta_deg, phi_deg=None):
    """Errors of a cloud of axes, shape (n, k, 3); equal angles without ``phi_deg``."""
    n, rule = len(axes), OpeningRule(ANGLE, 0.0, INCISAL)
    theta = np.broadcast_to(np.asarray(theta_deg, dtype=float), (n,))
    return closures(
        points([TRUE]), axes, marks, np.tile([0.0, 0.0, 1.0], (len(marks), 1)), PIN,
        rule, theta, rule, np.zeros(n), "equal_angle" if phi_deg is None else "contact",
        contact_closing_deg=None if phi_deg is None else np.stack([theta, phi_deg], axis=1),
    ).error_mm  # fmt: skip


@given(seed=st.integers(0, 999), theta=st.floats(-12, 12), phi=st.floats(-12, 12))
def test_errors_are_those_of_the_product_of_rigid_transforms(seed, theta, phi):
    axes, marks = cloud(3, seed), landmarks(5)
    ours = errors_of(axes, marks, theta, np.full(3, phi))
    for n in range(3):
        motion = closing_motion(HingeAxis(*axes[n]), phi) * closing_motion(TRUE, theta).inv()
        np.testing.assert_allclose(ours[n], motion.apply(marks) - marks, atol=1e-12)


def test_the_true_axis_with_equal_angles_makes_no_error():
    assert np.abs(errors_of(points([TRUE]), landmarks(), 5.0)).max() < 1e-13


def test_a_shifted_axis_moves_every_landmark_by_the_same_chord():
    """design.md: E = (I - R(theta)) (A - T), magnitude 2 sin(theta/2) |A - T| (derived there)."""
    axes = np.array([[[3.0, 55.0, 4.0], [3.0, -55.0, 4.0]]])
    error = errors_of(axes, landmarks(), 2.5)[0]
    expected = 2 * np.sin(np.radians(1.25)) * 5.0
    np.testing.assert_allclose(np.linalg.norm(error, axis=1), expected, rtol=1e-11)
    np.testing.assert_allclose(error, np.broadcast_to(error[0], error.shape), atol=1e-13)


def test_chunks_give_the_same_numbers():
    axes, marks, theta = cloud(1001), landmarks(), np.linspace(-3, 3, 1001)
    whole = errors_of(axes, marks, theta, 1.1 * theta)
    parts = [
        errors_of(axes[rows], marks, theta[rows], 1.1 * theta[rows])
        for rows in (slice(0, 400), slice(400, 800), slice(800, 1001))
    ]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_an_angle_that_is_none_gives_no_error_for_that_axis_only():
    errors = errors_of(cloud(3), landmarks(), 2.0, np.array([2.0, np.nan, 2.0]))
    assert np.isnan(errors).all(axis=(1, 2)).tolist() == [False, True, False]
    assert np.isfinite(errors[[0, 2]]).all()


def test_heights_out_of_reach_are_nan_in_the_oracle_too():
    turns = openings_to_height(TRUE, np.array([[90.0, 0, -35.0]]), np.array([-38.0, -400.0]))
    assert np.isfinite(turns[0])
    assert np.isnan(turns[1])


def test_without_normals_the_errors_are_the_same_and_no_heights_are_filled():
    axes = np.array([[[4.0, 55.0, 1.0], [2.0, -55.0, -1.0]], [[0.0, 54.0, 3.0], [1.0, -53.0, 0.0]]])
    true = np.array([[[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]]])
    points = np.array([[90.0, 0.0, -35.0], [50.0, 25.0, -33.0]])
    rule = OpeningRule(ANGLE, 0.0, points[0])
    record, target = np.array([2.0, 3.0]), np.zeros(2)
    one, other = (
        closures(true, axes, points, normals, points[0], rule, record, rule, target, "pin")
        for normals in (np.tile([0.0, 0.0, 1.0], (2, 1)), None)
    )
    np.testing.assert_array_equal(one.error_mm, other.error_mm)
    assert other.high_mm.shape == (2, 0)
    np.testing.assert_allclose(one.high_mm[:, 0], -one.error_mm[:, 0, 2], atol=0.2)
