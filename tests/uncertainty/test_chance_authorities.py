"""Chances and budgets against the outside: JCGM 106, a bite roll, a GUM sum and Monte Carlo."""

import tomllib

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.special import ndtri

from kinematics.uncertainty.chance import counted
from kinematics.uncertainty.first_order import first_order
from tests import AUTHORITIES
from tests.oracles.arcs import chord

JCGM_106 = tomllib.loads((AUTHORITIES / "jcgm_106.toml").read_text("utf-8"))
EVEN = ndtri((np.arange(200_000) + 0.5) / 200_000)
"""Evenly spread quantiles of the standard normal distribution: draws without luck."""


@pytest.mark.parametrize("case", JCGM_106["conformance"])
def test_a_counted_chance_is_the_conformance_probability_of_the_worked_case(case):
    value = case["y"] + case["u"] * EVEN
    upper, lower = case.get("upper_limit", np.inf), case.get("lower_limit", -np.inf)
    inside = counted(int(((value >= lower) & (value <= upper)).sum()), len(value))
    assert f"{inside.value:.2f}" == case["printed"]
    assert inside.value == pytest.approx(case["calc"], abs=1e-5)
    assert inside.low < case["calc"] < inside.high
    outside = counted(len(value) - round(inside.value * len(value)), len(value))
    assert outside.settled(0.05) == ("below" if case["calc"] > 0.95 else "above")


def test_a_guard_band_of_the_expanded_uncertainty_leaves_the_stated_risk():
    """A value found at the guarded limit T - 2 u: what lies beyond T is the largest risk."""
    band = JCGM_106["guard_band"]
    beyond = counted(int((EVEN - band["guard_over_u"] > 0.0).sum()), len(EVEN))
    assert f"{100.0 * beyond.value:.1f}" == band["largest_risk_percent"]
    assert beyond.settled(0.05) == "below"
    at_the_limit = counted(int((EVEN > 0.0).sum()), len(EVEN))
    assert at_the_limit.value == 0.5
    assert at_the_limit.settled(0.05) == "above"


def test_a_tenth_of_a_degree_of_bite_roll_is_forty_micrometres():
    """Published: 0.1 degree of roll costs at least 40 um more; that is 22.9 mm from the midline."""
    assert 1e3 * chord(22.9, 0.1) == pytest.approx(40.0, abs=0.05)
    molar = np.array([0.0, 22.9, 0.0])
    rolled = Rotation.from_euler("x", 0.1, degrees=True).apply(molar)
    assert np.linalg.norm(rolled - molar) == pytest.approx(chord(22.9, 0.1), rel=1e-9)


BUDGET = (
    # what, half width or SD (um), its form, um of displacement a unit of it
    ("interocclusal record's seating", 59.0, "normal", 1.0),
    ("arch distortion of the scan", 86.0, "normal", 0.7),
    ("registration of the scanned bite", 50.0, "rectangular", 1.0),
    ("plaster of the mounting", 102.0, "normal", 0.5),
    ("instrument", 40.0, "rectangular", -1.2),
)
"""Sizes of the order that studies print; their forms and sensitivities are ours."""


def test_a_gum_sum_of_normal_and_rectangular_lines_agrees_with_monte_carlo():
    factor = np.array([c for *_, c in BUDGET])
    rectangular = np.array([form == "rectangular" for _, _, form, _ in BUDGET])
    size = np.array([s for _, s, *_ in BUDGET])
    sd = np.where(rectangular, size / np.sqrt(3.0), size)
    gum = first_order(lambda x: x @ factor, np.zeros(len(BUDGET)), sd)
    assert gum.uncertainty[0] == pytest.approx(np.sqrt(((factor * sd) ** 2).sum()), rel=1e-6)

    rng = np.random.default_rng(11)
    n = 400_000
    drawn = np.where(
        rectangular, rng.uniform(-size, size, (n, len(size))), rng.normal(0.0, size, (n, len(size)))
    )
    total = drawn @ factor
    assert total.std() == pytest.approx(gum.uncertainty[0], rel=0.005)
    assert np.quantile(total, [0.025, 0.975]) == pytest.approx(gum.interval[0], rel=0.015)
    share = (factor * sd) ** 2 / gum.uncertainty[0] ** 2
    fixed = drawn * (np.arange(len(size)) != share.argmax())
    assert (fixed @ factor).var() == pytest.approx(
        (1.0 - share.max()) * gum.uncertainty[0] ** 2, rel=0.01
    )  # the step to improve first is worth what its share says
