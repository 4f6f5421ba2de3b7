"""What locating is worth: break-even, unit normal loss, expected loss; hand and outside values."""

import tomllib

import mpmath
import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import ndtri

from kinematics.decision.value import break_even_minutes, expected_loss, unit_normal_loss
from tests import AUTHORITIES

HANDBOOK = tomllib.loads((AUTHORITIES / "unit_normal_loss.toml").read_text("utf-8"))


@pytest.mark.parametrize(
    ("locating", "other", "minutes"),
    [
        ((20.0, 0.05), (0.0, 0.30), 80.0),  # 20 minutes for 25 points
        ((30.0, 0.0), (10.0, 1.0), 20.0),  # a sure misfit: the extra minutes themselves
        ((15.0, 0.02), (15.0, 0.10), 0.0),  # no longer: it pays whatever a misfit costs
        ((5.0, 0.02), (15.0, 0.10), 0.0),
    ],
)
def test_break_even_of_hand_cases(locating, other, minutes):
    found = break_even_minutes(
        locating_minutes=locating[0],
        locating_chance=locating[1],
        other_minutes=other[0],
        other_chance=other[1],
    )
    assert found == pytest.approx(minutes)


@pytest.mark.parametrize("other_chance", [0.05, 0.04, 0.0])
def test_nothing_is_said_where_locating_does_not_lower_the_chance(other_chance):
    found = break_even_minutes(
        locating_minutes=20.0,
        locating_chance=0.05,
        other_minutes=0.0,
        other_chance=other_chance,
    )
    assert found is None


def test_the_break_even_is_where_both_ways_cost_the_same_chair_time_in_simulated_patients():
    """Independent: minutes of 400,000 patients each way, misfits drawn one by one."""
    rng = np.random.default_rng(5)
    misfit = break_even_minutes(
        locating_minutes=22.0, locating_chance=0.08, other_minutes=4.0, other_chance=0.38
    )
    located, other = (
        np.mean(minutes + misfit * (rng.random(400_000) < chance))
        for minutes, chance in ((22.0, 0.08), (4.0, 0.38))
    )
    assert misfit == pytest.approx(60.0)
    assert located == pytest.approx(other, abs=0.2)


@pytest.mark.parametrize(("z", "printed"), HANDBOOK["table"])
def test_unit_normal_loss_gives_the_handbook_table(z, printed):
    assert f"{unit_normal_loss(z):.4f}" == printed


@pytest.mark.parametrize("z", [-6.0, -1.0, 0.0, 0.5, 2.0, 5.0, 12.0, 30.0])
def test_unit_normal_loss_is_the_integral_to_many_digits(z):
    with mpmath.workdps(50):
        exact = mpmath.quad(lambda t: (t - z) * mpmath.npdf(t), [z, z + 2, z + 10, mpmath.inf])
    assert unit_normal_loss(z) == pytest.approx(float(exact), rel=1e-12)


def test_unit_normal_loss_keeps_its_identities():
    for z in np.linspace(-4.0, 4.0, 17):
        assert unit_normal_loss(-z) - unit_normal_loss(z) == pytest.approx(z, abs=1e-12)
        slope = (unit_normal_loss(z + 1e-5) - unit_normal_loss(z - 1e-5)) / 2e-5
        assert slope == pytest.approx(-stats.norm.sf(z), abs=1e-8)


def test_expected_loss_of_a_normal_size_is_the_unit_normal_loss():
    """At evenly spread quantiles in place of draws: no luck in it."""
    mean, sd, limit = HANDBOOK["mean"], HANDBOOK["sd"], HANDBOOK["limit"]
    sizes = mean + sd * ndtri((np.arange(1_000_000) + 0.5) / 1_000_000)
    exact = sd * unit_normal_loss((limit - mean) / sd)
    assert f"{exact:.4f}" == HANDBOOK["expected_loss"]
    assert expected_loss(sizes, limit) == pytest.approx(exact, rel=1e-5)


def test_expected_loss_of_a_rectangular_size_is_its_triangle():
    sizes = np.linspace(0.0, 0.4, 400_001)  # beyond 0.3: a quarter, by 0.05 on average
    assert expected_loss(sizes, 0.3) == pytest.approx(0.25 * 0.05, rel=1e-4)


def test_expected_loss_is_the_area_under_the_chance_beyond():
    """E max(X - t, 0) is the integral of P(X > s) over s from t on."""
    sizes = np.random.default_rng(2).gamma(3.0, 0.05, 20_000)
    grid = np.linspace(0.1, sizes.max(), 20_001)
    beyond = 1.0 - np.searchsorted(np.sort(sizes), grid, side="right") / len(sizes)
    assert expected_loss(sizes, 0.1) == pytest.approx(integrate.trapezoid(beyond, grid), rel=1e-4)


def test_within_the_tolerance_nothing_is_lost():
    assert expected_loss([0.0, 0.1, 0.3], 0.3) == 0.0
