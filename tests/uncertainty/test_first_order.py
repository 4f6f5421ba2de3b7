"""First-order uncertainty and its validation, on the examples of JCGM 101:2008."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from kinematics.base.errors import InputError
from kinematics.uncertainty.first_order import first_order, validate
from tests.makers.adaptive import adaptive
from tests.uncertainty.test_monte_carlo import (
    AUTHORITY,
    additive_rectangular,
    additive_unequal,
    agrees,
    half_digit,
    mass,
    mass_model,
)

MASS_X = np.array([100_000.0, 1.234, 1.20, 8000.0, 8000.0])
MASS_U = np.array([0.050, 0.020, 0.1 / np.sqrt(3), 1000 / np.sqrt(3), 50 / np.sqrt(3)])


def test_the_first_order_result_of_the_mass_calibration_comes_out_in_its_digits():
    told = AUTHORITY["mass"]
    result = first_order(mass_model, MASS_X, MASS_U)
    assert agrees(result.estimate[0], told["gum_estimate"], 1e-9)
    assert agrees(result.uncertainty[0], told["gum_u"])
    for got, printed in zip(result.interval[0], told["gum_interval"], strict=True):
        assert agrees(got, printed)


def test_the_first_order_result_of_the_mass_calibration_is_not_validated():
    gum = first_order(mass_model, MASS_X, MASS_U)
    mc = adaptive(mass, seed=1, max_trials=2_000_000)
    check = validate(gum.interval, mc.shortest, mc.uncertainty, digits=1)
    assert not check.validated[0]
    assert check.low_difference[0] == pytest.approx(0.0451, abs=0.002)
    assert check.tolerance[0] == pytest.approx(0.005)


@pytest.mark.parametrize(
    ("key", "model", "u"),
    [
        ("additive_rectangular", additive_rectangular, np.ones(4)),
        ("additive_unequal", additive_unequal, np.array([1.0, 1.0, 1.0, 10.0])),
    ],
)
def test_the_first_order_intervals_of_clause_9_2_come_out_in_their_digits(key, model, u):
    gum = first_order(lambda x: x.sum(axis=1), np.zeros(4), u)
    for got, printed in zip(gum.interval[0], AUTHORITY[key]["gum_interval"], strict=True):
        assert agrees(got, printed, half_digit(printed))
    mc = adaptive(model, seed=1, max_trials=1_000_000)
    assert not validate(gum.interval, mc.symmetric, mc.uncertainty, digits=2).validated[0]


def test_the_logarithm_of_a_rectangular_input_comes_out_in_its_first_order_digits():
    told = AUTHORITY["logarithm"]
    gum = first_order(lambda x: np.log(x[:, 0]), [0.6], [1.0 / np.sqrt(12.0)])
    assert agrees(gum.estimate[0], told["gum_estimate"])
    assert agrees(gum.uncertainty[0], told["gum_u"])


def test_a_sum_of_squares_at_zero_has_no_first_order_uncertainty_and_is_not_validated():
    gum = first_order(lambda x: (x**2).sum(axis=1), np.zeros(2), [0.005, 0.005])
    assert gum.uncertainty[0] == pytest.approx(0.0, abs=1e-12)
    mc = adaptive(lambda rng, n: (rng.normal(0, 0.005, (n, 2)) ** 2).sum(axis=1), seed=1)
    assert not validate(gum.interval, mc.shortest, mc.uncertainty).validated[0]


@settings(max_examples=30)
@given(
    arrays(np.float64, (2, 3), elements=st.floats(-5, 5)),
    arrays(np.float64, (3, 3), elements=st.floats(-2, 2)),
    arrays(np.float64, 3, elements=st.floats(-50, 50)),
)
def test_a_linear_model_is_propagated_exactly(matrix, root, x):
    cov = root @ root.T + 0.01 * np.eye(3)
    gum = first_order(lambda v: v @ matrix.T, x, cov)
    assert gum.uncertainty**2 == pytest.approx(np.diag(matrix @ cov @ matrix.T), rel=1e-5, abs=1e-9)
    assert gum.sensitivity == pytest.approx(matrix, abs=1e-6)


def test_a_linear_normal_model_is_validated():
    def sampler(rng, n):
        return rng.normal(2.0, 3.0, n) + rng.normal(0.0, 4.0, n)

    gum = first_order(lambda x: x.sum(axis=1), [2.0, 0.0], [3.0, 4.0])
    mc = adaptive(sampler, seed=1, digits=2, max_trials=1_000_000)
    assert validate(gum.interval, mc.symmetric, mc.uncertainty, digits=1).validated[0]


def test_few_degrees_of_freedom_widen_the_interval():
    few = first_order(lambda x: x[:, 0], [0.0], [1.0], degrees_of_freedom=4.0)
    assert few.coverage_factor == pytest.approx(2.776, abs=5e-4)  # Student's t, 4 degrees
    assert few.interval[0] == pytest.approx([-2.776, 2.776], abs=1e-3)


def test_an_input_without_uncertainty_contributes_nothing():
    gum = first_order(lambda x: x[:, 0] + x[:, 1], [1.0, 2.0], [0.0, 1.0])
    assert gum.uncertainty[0] == pytest.approx(1.0)


def test_a_covariance_of_the_wrong_size_is_refused():
    with pytest.raises(InputError, match="covariance"):
        first_order(lambda x: x[:, 0], [1.0, 2.0], np.eye(3))
