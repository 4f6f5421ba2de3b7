"""Adaptive Monte Carlo against the worked examples of JCGM 101:2008 and against closed forms."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kinematics.base.errors import InputError
from kinematics.uncertainty.monte_carlo import (
    Stabilisation,
    block_generator,
    block_size,
    check_settings,
    numerical_tolerance,
    shortest_interval,
    symmetric_interval,
)
from tests import AUTHORITIES
from tests.makers.adaptive import adaptive

AUTHORITY = tomllib.loads((AUTHORITIES / "jcgm_101.toml").read_text(encoding="utf-8"))
ROOT3 = np.sqrt(3.0)


def half_digit(text: str) -> float:
    """Half a unit in the last printed digit."""
    return 0.5 * 10.0 ** -len(text.partition(".")[2])


def agrees(value: float, printed: str, slack: float = 0.0) -> bool:
    return abs(value - float(printed)) <= half_digit(printed) + slack


def additive_normal(rng, n):
    return rng.standard_normal((n, 4)).sum(axis=1)


def additive_rectangular(rng, n):
    return rng.uniform(-ROOT3, ROOT3, (n, 4)).sum(axis=1)


def additive_unequal(rng, n):
    x = rng.uniform(-ROOT3, ROOT3, (n, 4))
    return x[:, :3].sum(axis=1) + 10.0 * x[:, 3]


@pytest.mark.parametrize(
    ("key", "model"),
    [
        ("additive_normal", additive_normal),
        ("additive_rectangular", additive_rectangular),
        ("additive_unequal", additive_unequal),
    ],
)
def test_the_additive_examples_of_clause_9_2_come_out_in_their_digits(key, model):
    told = AUTHORITY[key]
    result = adaptive(model, seed=1, digits=4, max_trials=2_000_000)
    # The end points' own sampling error at 2 million trials is about 0.004 (CALC).
    slack = 0.01
    assert agrees(result.uncertainty[0], told["u"], slack)
    for got, printed in zip(result.symmetric[0], told["interval"], strict=True):
        assert agrees(got, printed, slack)


def test_four_rectangular_inputs_give_the_exact_interval():
    exact = AUTHORITY["additive_rectangular"]["exact_half_width"]
    assert exact == pytest.approx(2 * ROOT3 * (2 - 0.6**0.25), rel=1e-14)
    result = adaptive(additive_rectangular, seed=2, digits=4, max_trials=2_000_000)
    assert result.symmetric[0] == pytest.approx([-exact, exact], abs=0.01)


def mass(rng, n):
    return mass_model(
        np.stack(
            [
                rng.normal(100_000.0, 0.050, n),
                rng.normal(1.234, 0.020, n),
                rng.uniform(1.10, 1.30, n),
                rng.uniform(7000.0, 9000.0, n),
                rng.uniform(7950.0, 8050.0, n),
            ],
            axis=1,
        )
    )


def mass_model(x):
    m, dm, air, weight, reference = x.T
    return (m + dm) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / reference)) - 100_000.0


def test_the_mass_calibration_of_clause_9_3_comes_out():
    told = AUTHORITY["mass"]
    result = adaptive(mass, seed=1, max_trials=3_000_000)
    assert result.stabilised
    assert agrees(result.estimate[0], told["mcm_estimate"], 2e-4)
    assert agrees(result.uncertainty[0], told["mcm_u"], 2e-4)
    printed = [float(t) for t in told["mcm_shortest"]]
    assert result.shortest[0] == pytest.approx(printed, abs=2e-3)
    assert result.symmetric[0] == pytest.approx(told["calc_symmetric"], abs=1e-3)


@pytest.mark.parametrize("told", AUTHORITY["comparison"], ids=lambda t: f"x1={t['x1']}")
def test_the_comparison_loss_of_clause_9_4_tells_shortest_from_symmetric(told):
    def model(rng, n):
        x = rng.normal([told["x1"], 0.0], 0.005, (n, 2))
        return 1e6 * (x**2).sum(axis=1)

    result = adaptive(model, seed=3, digits=2, max_trials=2_000_000)
    assert result.stabilised
    u = told["u"]
    assert result.estimate[0] == pytest.approx(told["mean"], abs=0.01 * u)
    assert result.uncertainty[0] == pytest.approx(u, rel=0.01)
    assert result.symmetric[0] == pytest.approx(told["symmetric"], abs=0.04 * u)
    assert result.shortest[0] == pytest.approx(told["shortest"], abs=0.06 * u)


def test_the_authority_for_clause_9_4_is_the_noncentral_chi_square():
    for told in AUTHORITY["comparison"]:
        scale = 25.0  # (0.005)^2 in units of 1e-6
        law = stats.ncx2(2, (told["x1"] / 0.005) ** 2) if told["x1"] else stats.chi2(2)
        assert scale * law.mean() == pytest.approx(told["mean"], rel=1e-6)
        assert scale * law.std() == pytest.approx(told["u"], rel=1e-5)
        assert scale * law.ppf([0.025, 0.975]) == pytest.approx(told["symmetric"], rel=1e-3)


def test_the_logarithm_of_a_rectangular_input_comes_out_in_its_digits():
    told = AUTHORITY["logarithm"]
    result = adaptive(lambda rng, n: np.log(rng.uniform(0.1, 1.1, n)), seed=5, digits=4)
    assert agrees(result.estimate[0], told["mcm_estimate"], 2e-3)
    assert agrees(result.uncertainty[0], told["mcm_u"], 2e-3)
    for got, printed in zip(result.shortest[0], told["mcm_shortest"], strict=True):
        assert agrees(got, printed, 1e-2)


@pytest.mark.parametrize(
    ("u", "digits", "tolerance"),
    [
        (0.00035, 2, 0.000005),  # 35 x 10^-5: JCGM 101, 7.9.2 example 1
        (2.0, 2, 0.05),  # 20 x 10^-1
        (10.0, 1, 5.0),  # 1 x 10^1
        (0.996, 2, 0.05),  # rounds to 1.0, which is 10 x 10^-1
        (0.0, 2, 0.0),
    ],
)
def test_the_numerical_tolerance_is_half_the_last_meaningful_digit(u, digits, tolerance):
    assert numerical_tolerance(u, digits) == pytest.approx(tolerance, rel=1e-12)


def test_a_block_holds_enough_trials_for_the_coverage_probability():
    assert block_size(0.95) == 10_000
    assert block_size(0.9999) == 1_000_000


@settings(max_examples=40)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=20, max_size=200),
    st.sampled_from([0.5, 0.8, 0.9, 0.95]),
)
def test_the_shortest_interval_is_the_shortest_that_holds_as_many_values(values, coverage):
    x = np.sort(np.array(values))
    low, high = shortest_interval(x, coverage)
    sym_low, sym_high = symmetric_interval(x, coverage)
    assert high - low <= sym_high - sym_low
    q = min(max(int(coverage * len(x) + 0.5), 1), len(x) - 1)
    brute = min(x[i + q] - x[i] for i in range(len(x) - q))
    assert high - low == brute
    assert np.mean((x >= low) & (x <= high)) >= coverage - 1.0 / len(x)


def test_intervals_are_found_column_by_column():
    x = np.sort(np.random.default_rng(0).normal(size=(1000, 3)) * [1, 2, 3], axis=0)
    for k in range(3):
        assert (shortest_interval(x, 0.9)[k] == shortest_interval(x[:, k], 0.9)).all()
        assert (symmetric_interval(x, 0.9)[k] == symmetric_interval(x[:, k], 0.9)).all()


def test_the_same_seed_repeats_and_another_seed_differs():
    one, two, other = (adaptive(additive_normal, seed=s, digits=1) for s in (7, 7, 8))
    assert (one.values == two.values).all()
    assert not np.array_equal(one.values[:10], other.values[:10])
    first = block_generator(7, 0).standard_normal(3)
    assert not np.array_equal(first, block_generator(7, 1).standard_normal(3))


def test_a_run_that_may_not_go_on_says_that_it_has_not_stabilised():
    result = adaptive(additive_normal, seed=1, digits=4, max_trials=30_000)
    assert not result.stabilised
    assert len(result.values) == 30_000


def test_every_output_must_have_stabilised():
    def model(rng, n):
        return np.stack([np.zeros(n), rng.standard_cauchy(n)], axis=1)

    assert adaptive(model, seed=1, max_trials=100_000).stabilised is False


def test_an_output_without_uncertainty_is_stable_at_once():
    result = adaptive(lambda rng, n: np.full(n, 3.0), seed=1)
    assert result.stabilised
    assert result.blocks == 2
    assert result.uncertainty[0] == 0.0
    assert (result.shortest == 3.0).all()


def test_the_running_uncertainty_is_that_of_all_values_together():
    rng = np.random.default_rng(3)
    blocks = [rng.normal(i, 1 + i, (500, 2)) for i in range(4)]
    test = Stabilisation(0.95, 2)
    for block in blocks:
        test.add(block)
    assert test.uncertainty == pytest.approx(np.concatenate(blocks).std(axis=0, ddof=1), rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"coverage": 1.0}, "coverage"),
        ({"digits": 0}, "digits"),
        ({"max_trials": 3}, "max_trials"),
    ],
)
def test_settings_without_meaning_are_refused(arguments, text):
    with pytest.raises(InputError, match=text):
        check_settings(**{"coverage": 0.95, "digits": 2, "max_trials": 1000, **arguments})
