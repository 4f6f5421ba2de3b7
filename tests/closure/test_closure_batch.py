"""Closures of a cloud of axes: against scipy's rigid transforms, one sample at a time."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import InputError
from kinematics.closure.closure_batch import closure_error_chunks, closure_errors

TRUE = HingeAxis((0.0, 55.0, 0.0), (0.0, -55.0, 0.0))


def cloud(n: int, seed: int = 3, spread_mm: float = 6.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.array([[0, 55.0, 0], [0, -55.0, 0]]) + rng.normal(0, spread_mm, (n, 2, 3))


def landmarks(k: int = 28) -> np.ndarray:
    rng = np.random.default_rng(5)
    return np.array([70.0, 0.0, -35.0]) + rng.uniform(-25, 25, (k, 3))


@given(seed=st.integers(0, 999), theta=st.floats(-12, 12), phi=st.floats(-12, 12))
def test_errors_are_those_of_the_product_of_rigid_transforms(seed, theta, phi) -> None:  # type: ignore[no-untyped-def]
    axes, points = cloud(3, seed), landmarks(5)
    ours = closure_errors(TRUE, axes, points, theta, np.full(3, phi))
    for n in range(3):
        motion = closing_motion(HingeAxis(*axes[n]), phi) * closing_motion(TRUE, theta).inv()
        np.testing.assert_allclose(ours[n], motion.apply(points) - points, atol=1e-12)


def test_the_true_axis_with_equal_angles_makes_no_error() -> None:
    axes = np.stack([TRUE.left_point_mm, TRUE.right_point_mm])[None]
    assert np.abs(closure_errors(TRUE, axes, landmarks(), 5.0)).max() < 1e-13


def test_a_shifted_axis_moves_every_landmark_by_the_same_chord() -> None:
    """design.md: E = (I - R(theta)) (A - T), magnitude 2 sin(theta/2) |A - T| (derived there)."""
    axes = np.array([[[3.0, 55.0, 4.0], [3.0, -55.0, 4.0]]])
    error = closure_errors(TRUE, axes, landmarks(), 2.5)[0]
    expected = 2 * math.sin(math.radians(1.25)) * 5.0
    np.testing.assert_allclose(np.linalg.norm(error, axis=1), expected, rtol=1e-12)
    np.testing.assert_allclose(error, np.broadcast_to(error[0], error.shape), atol=1e-13)


def test_chunks_give_the_same_numbers() -> None:
    axes, points = cloud(1001), landmarks()
    theta = np.linspace(-3, 3, 1001)
    phi = theta * 1.1
    whole = closure_errors(TRUE, axes, points, theta, phi)
    seen = np.full_like(whole, np.nan)
    for rows, part in closure_error_chunks(TRUE, axes, points, theta, phi, chunk_bytes=100_000):
        assert part.nbytes <= 100_000
        seen[rows] = part
    np.testing.assert_array_equal(seen, whole)


def test_a_given_buffer_is_filled() -> None:
    axes, points = cloud(10), landmarks()
    out = np.empty((10, 28, 3))
    assert closure_errors(TRUE, axes, points, 2.0, out=out) is out
    np.testing.assert_array_equal(out, closure_errors(TRUE, axes, points, 2.0))


def test_an_angle_that_is_none_gives_no_error_for_that_axis_only() -> None:
    phi = np.array([2.0, np.nan, 2.0])
    errors = closure_errors(TRUE, cloud(3), landmarks(), 2.0, phi)
    assert np.isnan(errors).all(axis=(1, 2)).tolist() == [False, True, False]
    assert np.isfinite(errors[[0, 2]]).all()


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"axes": np.zeros((3, 3))}, r"\(n, 2, 3\)"),
        ({"axes": np.zeros((3, 2, 3))}, "two equal points"),
        ({"axes": cloud(3) * np.nan}, "finite"),
        ({"landmarks_true_mm": [1.0, 2.0, 3.0]}, r"\(k, 3\)"),
        ({"theta_closing_deg": np.zeros(4)}, "one angle or 3"),
        ({"out": np.zeros((3, 3))}, "plain array"),
    ],
)
def test_wrong_shapes_are_refused(change, text) -> None:  # type: ignore[no-untyped-def]
    given_values = {"axes": cloud(3), "landmarks_true_mm": landmarks(), "theta_closing_deg": 2.0}
    with pytest.raises(InputError, match=text):
        closure_errors(TRUE, **(given_values | change))
