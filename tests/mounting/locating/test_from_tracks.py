"""Axis from tracked points: exact arcs, an oracle, coverage, outliers, departure, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.mounting.locating.from_tracks import axis_from_tracked_points

AXIS = HingeAxis([10.0, 54.0, 40.0], [8.0, -56.0, 43.0])
MARKERS = np.array([[90, 0, 0], [60, 22, 3], [60, -22, 2]], float)
LEFT = [0.0, 1.0, 0.0]


def tracks(span_deg=9.5, samples=30, sd=0.0, rng=None, slide=0.0):
    out = []
    for marker in MARKERS:
        openings = np.linspace(0.0, span_deg, samples)
        path = np.array([opening_motion(AXIS, o).apply(marker) for o in openings])
        path[:, 0] += slide * openings**2
        out.append(path + (rng.normal(0.0, sd, path.shape) if rng is not None else 0.0))
    return out


def off(got, axis=AXIS):
    return axis.distance_mm([got.axis.left_point_mm, got.axis.right_point_mm])


def gaps(got):
    out = []
    for point in (got.axis.left_point_mm, got.axis.right_point_mm):
        d = point - AXIS.midpoint_mm
        out += list(got.line_directions @ (d - (d @ AXIS.direction) * AXIS.direction))
    return np.array(out)


@pytest.mark.parametrize("span", [2.0, 9.5, 30.0])
def test_exact_arcs_give_the_exact_axis(span):
    got = axis_from_tracked_points(tracks(span), left=LEFT, noise_mm=0.05)
    assert off(got).max() < 1e-7
    np.testing.assert_allclose(got.arc_deg, span, rtol=1e-6)
    np.testing.assert_allclose(got.radius_mm, AXIS.distance_mm(MARKERS), rtol=1e-8)


def test_exact_arcs_say_nothing_about_a_departure_and_noisy_ones_are_not_blamed():
    exact = axis_from_tracked_points(tracks(), left=LEFT)
    assert np.isnan(exact.departure_p)
    noisy = axis_from_tracked_points(tracks(sd=0.05, rng=np.random.default_rng(1)), left=LEFT)
    assert noisy.departure_p > 0.05
    for got in (exact, noisy):
        assert not [f for f in got.findings if "circles" in f.message]


def test_one_track_is_enough_for_an_exact_axis():
    got = axis_from_tracked_points(tracks()[:1], left=LEFT, noise_mm=0.05)
    assert off(got).max() < 1e-6


@settings(max_examples=10)
@given(
    seed=st.integers(0, 2**32 - 1),
    turn=st.tuples(*[st.floats(-3.0, 3.0)] * 3),
    shift=st.tuples(*[st.floats(-200.0, 200.0)] * 3),
)
def test_moving_everything_rigidly_moves_the_axis_and_its_covariance(seed, turn, shift):
    paths = tracks(sd=0.05, rng=np.random.default_rng(seed))
    move = RigidTransform.from_components(shift, Rotation.from_rotvec(turn))
    here = axis_from_tracked_points(paths, left=LEFT)
    there = axis_from_tracked_points([move.apply(p) for p in paths], left=move.rotation.apply(LEFT))
    axis, covariance = here.moved(move)
    np.testing.assert_allclose(there.axis.left_point_mm, axis.left_point_mm, atol=1e-5)
    np.testing.assert_allclose(there.covariance_mm2, covariance, rtol=1e-4, atol=1e-6)


def test_scipy_with_every_radius_and_height_free_finds_the_same_axis():
    paths = tracks(sd=0.05, rng=np.random.default_rng(2))
    got = axis_from_tracked_points(paths, left=LEFT)

    def residuals(p):
        axis = HingeAxis([p[0], 55.0, p[1]], [p[2], -55.0, p[3]])
        out = []
        for j, path in enumerate(paths):
            out.append(axis.distance_mm(path) - p[4 + 2 * j])
            out.append((path - axis.midpoint_mm) @ axis.direction - p[5 + 2 * j])
        return np.concatenate(out)

    start = [9.0, 40.0, 9.0, 42.0, 91.0, 0.0, 63.0, 22.0, 65.0, -22.0]
    best = least_squares(residuals, start, jac="3-point", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    oracle = HingeAxis([best.x[0], 55.0, best.x[1]], [best.x[2], -55.0, best.x[3]])
    assert off(got, oracle).max() < 1e-4


def test_standard_deviations_and_bias_are_those_of_repeated_simulation():
    rng = np.random.default_rng(4)
    errors, sds, ps = [], [], []
    for _ in range(150):
        got = axis_from_tracked_points(tracks(sd=0.05, rng=rng), left=LEFT, noise_mm=0.05)
        errors.append(gaps(got))
        sds.append(got.sd_mm)
        ps.append(got.departure_p)
    ratio = np.std(errors, axis=0) / np.sqrt(np.mean(np.square(sds), axis=0))
    assert (np.abs(ratio - 1.0) < 0.2).all(), ratio  # 150 draws fix an SD to 5.8 %
    assert (np.abs(np.mean(errors, axis=0)) < 4 * np.std(errors, axis=0) / np.sqrt(150)).all()
    assert np.mean(np.array(ps) < 0.01) < 0.06


def test_a_slipped_sample_is_named_and_set_aside():
    paths = tracks(sd=0.05, rng=np.random.default_rng(5))
    clean = axis_from_tracked_points(paths, left=LEFT)
    paths[1][7] += 3.0
    got = axis_from_tracked_points(paths, left=LEFT)
    assert got.outliers == ((1, 7),)
    assert off(got, clean.axis).max() < 1.0
    assert any("track 2 sample 8" in f.message for f in got.findings)


@pytest.mark.parametrize("noise", [0.02, None])
def test_condyles_that_travel_are_found(noise):
    rng = np.random.default_rng(6)
    moving = tracks(sd=0.02, rng=rng, slide=0.01)
    still = tracks(sd=0.02, rng=rng)
    assert axis_from_tracked_points(moving, left=LEFT, noise_mm=noise).departure_p < 0.01
    assert axis_from_tracked_points(still, left=LEFT, noise_mm=noise).departure_p > 0.01


def test_a_short_arc_is_accepted_with_a_warning_that_states_the_uncertainty():
    got = axis_from_tracked_points(
        tracks(3.0, sd=0.05, rng=np.random.default_rng(7)), left=LEFT, noise_mm=0.05
    )
    assert any("uncertain by" in f.message for f in got.findings)


STRAIGHT = [np.array([[90 + 0.1 * i, y, -35 - 0.5 * i] for i in range(12)]) for y in (0.0, 25.0)]


@pytest.mark.parametrize(
    ("paths", "change", "text"),
    [
        ([], {}, "0 samples"),
        ([np.zeros((3, 3))], {}, "4 or more"),
        ([np.zeros((9, 3))], {}, "does not move"),
        ([np.full((9, 3), np.nan)], {}, "NaN"),
        (tracks(0.8), {"noise_mm": 0.05}, "times"),
        (tracks(), {"noise_mm": -1.0}, "above 0"),
        (tracks(), {"left": [1, 0, 0]}, "degrees away"),
        ([0.1 * p for p in tracks()], {}, "tracks: got an axis .* unit"),
        (tracks(samples=4)[:1], {}, "6 numbers more"),
        (STRAIGHT, {}, "tracks: got points that move on straight lines"),
        (STRAIGHT[:1], {}, "straight lines"),
    ],
)
def test_bad_input_is_refused_with_what_to_do(paths, change, text):
    with pytest.raises(InputError, match=text):
        axis_from_tracked_points(paths, **{"left": LEFT, **change})
