"""Counted chances: their interval, what they settle, how they are said."""

import numpy as np
import pytest
from scipy import stats

from kinematics.base.errors import InputError
from kinematics.uncertainty.chance import Chance, counted, wilson_interval


@pytest.mark.parametrize(("beyond", "draws"), [(1, 40), (38, 1000), (500, 1000), (9_981, 10_000)])
def test_the_interval_is_where_the_score_test_does_not_reject(beyond, draws):
    """Independent: Wilson's ends solve (share - p)^2 = z^2 p (1 - p) / n."""
    found = counted(beyond, draws)
    assert found.value == beyond / draws
    assert (found.low, found.high) == wilson_interval(beyond / draws, draws)
    z2 = stats.norm.ppf(0.975) ** 2
    share = beyond / draws
    ends = np.roots([1.0 + z2 / draws, -(2.0 * share + z2 / draws), share**2])
    assert sorted(ends) == pytest.approx([found.low, found.high], rel=1e-9)


def test_nineteen_in_twenty_intervals_hold_the_chance_that_was_drawn():
    rng = np.random.default_rng(7)
    for chance in (0.05, 0.38):
        found = [counted(int(k), 2_000) for k in rng.binomial(2_000, chance, 4_000)]
        held = np.mean([c.low <= chance <= c.high for c in found])
        assert held == pytest.approx(0.95, abs=0.012)


def test_none_counted_is_a_limit_that_the_draws_give_and_never_nought():
    found = counted(0, 10_000)
    assert (found.value, found.low) == (0.0, 0.0)
    z2 = stats.norm.ppf(0.975) ** 2
    assert found.high == pytest.approx(z2 / (10_000 + z2), rel=1e-9)
    every = counted(10_000, 10_000)
    assert (1.0 - every.low, every.high) == pytest.approx((found.high, 1.0))


@pytest.mark.parametrize(
    ("chance", "answer"),
    [
        (Chance(0.04, 0.03, 0.05), "below"),
        (Chance(0.04, 0.03, 0.0500001), "cannot_tell"),
        (Chance(0.06, 0.05, 0.07), "cannot_tell"),
        (Chance(0.06, 0.0500001, 0.07), "above"),
        (Chance(0.05, 0.05, 0.05), "below"),
        (Chance(0.0, 0.0, 0.08), "cannot_tell"),
    ],
)
def test_a_chance_settles_a_limit_only_with_its_whole_interval(chance, answer):
    assert chance.settled(0.05) == answer


def test_more_draws_settle_what_fewer_do_not():
    assert [counted(round(0.045 * n), n).settled(0.05) for n in (1_000, 100_000)] == [
        "cannot_tell",
        "below",
    ]


@pytest.mark.parametrize(
    ("beyond", "draws", "words"),
    [
        (0, 60, "under 6.1 %"),
        (60, 60, "over 93.9 %"),
        (0, 200_000, "under 0.1 %"),
        (200_000, 200_000, "over 99.9 %"),
        (2_500, 100_000, "2.5 %"),
        (38_000, 100_000, "38 %"),
    ],
)
def test_a_chance_is_said_no_finer_than_the_draws_resolve(beyond, draws, words):
    assert counted(beyond, draws).words() == words


@pytest.mark.parametrize(("beyond", "draws"), [(0, 0), (-1, 10), (11, 10)])
def test_what_cannot_be_counted_is_refused(beyond, draws):
    with pytest.raises(InputError, match="draws"):
        counted(beyond, draws)
