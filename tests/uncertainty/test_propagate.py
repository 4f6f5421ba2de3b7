"""Propagation through the closure: closed forms, single closures, published incidence."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.base.words import percent
from kinematics.closure.stops import error_motion, pin_closing
from kinematics.contact.first_contact import first_contact, prepare
from kinematics.decision.words import how_sure
from kinematics.uncertainty import ways
from kinematics.uncertainty.chance import Chance, Chances, wilson_interval
from kinematics.uncertainty.departure import ClosureDraws, decision_chart, largest_closure
from kinematics.uncertainty.monte_carlo import open_uniform
from kinematics.uncertainty.populations import NormalPopulation, study_population
from kinematics.uncertainty.propagate import propagate
from kinematics.uncertainty.summary import WayChance
from kinematics.uncertainty.ways import AS_PLANNED, AT_PLANNED, Way
from tests import AUTHORITIES
from tests.contact.test_samples import arches
from tests.makers.small_uncertainty import LOCATED, MARKS, NAMES, PIN, inputs

PUBLISHED = tomllib.loads(
    (AUTHORITIES / "closing_around_arbitrary_axes.toml").read_text(encoding="utf-8")
)
PARALLEL = NormalPopulation(4.0, 4.0, left_right_correlation=1.0)
CHORD = 2.0 * np.sin(np.radians(1.0))
"""Chord of the 2-degree closing at unit radius."""


def draws(given, n, seed=0):
    return given.values(open_uniform(n, given.n_uniform, rng=np.random.default_rng(seed)))


def closure_draws_of(given, n):
    return ClosureDraws(given, draws(given, n), "arbitrary")


def test_a_parallel_axis_scatter_gives_the_rayleigh_law_of_the_closed_form():
    # |E| = 2 sin(theta/2) |A| for every tooth, and |A| is Rayleigh (derived here).
    told = stats.rayleigh(scale=4.0 * CHORD)
    result = propagate(inputs(population=PARALLEL), digits=2)
    assert result.status == "stabilised"
    magnitude = result.quantities["magnitude"]
    n = result.trials
    assert magnitude.mean == pytest.approx(np.full(3, told.mean()), abs=4 * told.std() / n**0.5)
    assert magnitude.uncertainty == pytest.approx(np.full(3, told.std()), rel=0.02)
    assert magnitude.symmetric[0] == pytest.approx(told.ppf([0.025, 0.975]), abs=0.004)
    risk = result.way("as planned")
    closure = risk.chances.closure
    assert closure.value == pytest.approx(told.sf(0.3), abs=4 * (0.25 / n) ** 0.5)
    assert risk.beyond == pytest.approx(np.full(3, closure.value), abs=1e-12)
    assert closure.low < told.sf(0.3) < closure.high
    assert risk.chances == Chances(closure, None, closure)


def test_the_largest_closure_is_that_of_the_closed_form():
    # P = exp(-tol^2 / 2 s^2 chord^2) = 5 % fixes the chord; the incisor goes along its circle.
    chord = 0.3 / (4.0 * np.sqrt(-2.0 * np.log(0.05)))
    theta = 2.0 * np.arcsin(0.5 * chord)
    drop = 90.0 * np.sin(theta) + 35.0 * (np.cos(theta) - 1.0)
    given = inputs(population=PARALLEL)
    found = largest_closure(closure_draws_of(given, 50_000), 0.05)
    assert found == pytest.approx(drop, rel=0.02)


def test_the_largest_closure_is_found_to_a_hundredth_of_a_millimetre():
    given = inputs(population=PARALLEL)
    counted = closure_draws_of(given, 2_000)
    for limit in (0.03, 0.05, 0.1, 0.2, 0.4):
        found = largest_closure(counted, limit)
        at, beyond = (counted.risk(given.direction * d) for d in (found, found + 0.0101))
        assert at <= limit < beyond


def test_progress_only_grows_from_0_to_1():
    told = []
    propagate(inputs(population=PARALLEL), progress=lambda words, share: told.append(share))
    assert told == sorted(told)
    assert told[0] == 0.0
    assert 0.0 < told[1] < told[2]
    assert 0.9 < told[-1] <= 1.0


def test_a_located_axis_without_uncertainty_has_no_error_and_any_departure():
    result = propagate(inputs(population=PARALLEL))
    located = result.way("located axis")
    assert located.chances.closure.value == 0.0
    assert located.worst_high_mm < 1e-12
    assert result.largest_closure_located_mm == np.inf
    assert result.value_of_locating == result.either("as planned").value


def test_the_located_axis_carries_its_own_uncertainty():
    given = inputs(true_axis_covariance_mm2=1.5**2 * np.eye(4))
    size = given.close(draws(given, 40_000), "located").error_mm
    # At the midline the mean of both sides counts: SD / sqrt(2) per coordinate (derived here).
    told = 1.5 / np.sqrt(2.0) * np.sin(np.radians(2.0))
    assert size[:, 2, 0].std() == pytest.approx(told, rel=0.03)
    assert size[:, 2, 2].std() == pytest.approx(told, rel=0.03)


def test_a_record_at_the_target_leaves_nothing_whatever_the_axis():
    given = inputs(population=PARALLEL, true_axis_covariance_mm2=np.eye(4))
    batch = given.close(draws(given, 500), "arbitrary", departure_mm=0.0)
    assert np.abs(batch.error_mm).max() < 1e-12


def test_the_record_s_thickness_is_the_only_error_left_at_the_target():
    given = inputs(record_sd_mm=0.2)
    batch = given.close(draws(given, 20_000), "arbitrary", departure_mm=0.0)
    turn = np.radians(batch.closing_deg).std()
    assert turn * 90.0 == pytest.approx(0.2, rel=0.03)


@pytest.mark.parametrize("stop", ["equal_angle", "pin"])
def test_draws_close_as_the_single_closure_does(stop):
    turn = np.zeros((6, 6))
    turn[:3, :3], turn[3:, 3:] = 0.01**2 * np.eye(3), 0.8**2 * np.eye(3)
    given = inputs(
        population=NormalPopulation(4.0, 3.0, 1.0, -1.0, 0.3),
        true_axis_covariance_mm2=np.diag([1.0, 0.5, 2.0, 1.0]),
        case={
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"vdo_change_mm": 0.5, "site": "pin"},
            "mounting_covariance": turn,
        },
        record_sd_mm=0.2,
        target_sd_mm=0.1,
        stop=stop,
    )
    values = draws(given, 6, seed=4)
    for axis in ("arbitrary", "located"):
        batch = given.close(values, axis)
        for row, x in enumerate(values):
            true = HingeAxis(*LOCATED).shifted(
                left_anterior_mm=x[4], left_superior_mm=x[5],
                right_anterior_mm=x[6], right_superior_mm=x[7],
            )  # fmt: skip
            used = HingeAxis(*LOCATED)
            if axis == "arbitrary":
                used = true.shifted(
                    left_anterior_mm=x[0], left_superior_mm=x[1],
                    right_anterior_mm=x[2], right_superior_mm=x[3],
                )  # fmt: skip
            move = RigidTransform.from_components(x[13:16], Rotation.from_rotvec(x[10:13]))
            theta = batch.record_opening_deg[row] - batch.target_opening_deg[row]
            marks = move.apply(MARKS)
            at_record = opening_motion(true, batch.record_opening_deg[row])
            at_target = opening_motion(true, batch.target_opening_deg[row])
            drop = marks[2, 2] - at_record.apply(marks[2])[2]
            assert drop == pytest.approx(3.0 + x[8], abs=1e-9)
            pin = PIN
            assert pin[2] - at_target.apply(pin)[2] == pytest.approx(0.5 + x[9], abs=1e-9)
            phi = theta
            if stop == "pin":
                phi = pin_closing(true, used, theta, at_record.apply(pin))
            motion = error_motion(true, used, theta, phi)
            p = at_target.apply(marks)
            assert batch.error_mm[row] == pytest.approx(motion.apply(p) - p, abs=1e-9)


def test_contact_draws_close_as_the_single_first_contact_does():
    upper, lower = arches()
    spread = np.diag([0.01, 0.01, 0.01, 0.5, 0.5, 0.5]) ** 2
    given = inputs(
        true_axis_covariance_mm2=np.eye(4),
        case={"casts": (upper, lower), "mounting_covariance": spread},
        stop="contact",
    )
    values = draws(given, 8, seed=2)
    batch = given.close(values, "arbitrary")
    for row, x in enumerate(values):
        move = RigidTransform.from_components(x[13:16], Rotation.from_rotvec(x[10:13]))
        true = HingeAxis(*LOCATED).shifted(
            left_anterior_mm=x[4], left_superior_mm=x[5],
            right_anterior_mm=x[6], right_superior_mm=x[7],
        )  # fmt: skip
        used = given.placed.mounting.arbitrary_axis
        moved_upper, moved_lower = move.apply(upper.vertices), move.apply(lower.vertices)
        opened = opening_motion(true, 2.0).apply(moved_lower)
        told = first_contact(
            prepare(moved_upper, upper.faces, opened, lower.faces), used, max_closing_deg=45.0
        )
        assert told.status == "contact"
        assert batch.closing_deg[row] == pytest.approx(told.closing_deg, abs=1e-8)


def test_a_target_at_contact_is_where_each_draw_s_teeth_meet():
    upper, lower = arches()
    pair = prepare(upper.vertices, upper.faces, lower.vertices, lower.faces)
    given = inputs(
        (0.0, 0.0, 0.0, 0.0),
        population=NormalPopulation(3.0, 3.0),
        case={"casts": (upper, lower), "target": {"first_contact": True}},
        stop="contact",
    )
    values = draws(given, 8, seed=3)
    # Without an error of location the articulator on the located axis meets where the mouth does.
    assert np.abs(given.close(values, "located").error_mm).max() < 1e-9
    away = given.close(values, "arbitrary")
    assert away.error_mm.std() > 0.01
    told = first_contact(
        pair.with_lower_motion(opening_motion(HingeAxis(*LOCATED), 2.0)),
        HingeAxis(*LOCATED),
        max_closing_deg=45.0,
    )
    assert away.target_opening_deg == pytest.approx(2.0 - told.closing_deg, abs=1e-9)
    # A record at the target leaves the teeth touching: nothing closes, nothing is off.
    there = given.close(values, "arbitrary", departure_mm=0.0)
    assert np.abs(there.error_mm).max() < 1e-6


def test_a_contact_run_counts_the_same_casts():
    given = inputs(true_axis_covariance_mm2=np.eye(4), stop="contact", case={"casts": arches()})
    result = propagate(given, max_trials=2000)
    assert result.stop == "contact"
    assert result.failed_trials == 0
    assert np.isfinite(result.quantities["magnitude"].mean).all()


def test_first_order_and_monte_carlo_agree_where_the_error_is_large_and_its_spread_small():
    given = inputs((6.0, -5.0, 6.0, -5.0), true_axis_covariance_mm2=0.2**2 * np.eye(4))
    result = propagate(given, digits=2)
    magnitude = result.quantities["magnitude"]
    assert magnitude.gum_validated.all()
    assert magnitude.gum_uncertainty == pytest.approx(magnitude.uncertainty, rel=0.03)
    for name in ("anteroposterior", "transverse", "vertical", "high"):
        q = result.quantities[name]
        assert q.gum_uncertainty == pytest.approx(q.uncertainty, rel=0.05, abs=1e-6)


def test_first_order_fails_its_validation_for_a_length_around_zero():
    result = propagate(inputs(population=PARALLEL))
    assert not result.quantities["magnitude"].gum_validated.any()


def test_the_same_seed_repeats_and_another_seed_differs():
    one, two, other = (
        propagate(inputs(population=PARALLEL, seed=s), max_trials=20_000) for s in (3, 3, 4)
    )
    assert to_json(one) == to_json(two)
    assert to_json(one) != to_json(other)


def test_a_wider_scatter_is_never_less_risky():
    risks = [
        propagate(inputs(population=NormalPopulation(s, s)), max_trials=20_000)
        .either("as planned")
        .value
        for s in (1.0, 2.0, 4.0, 8.0)
    ]
    assert risks == sorted(risks)
    assert risks[-1] > 0.2


def test_the_published_incidence_of_errors_comes_out_with_nothing_fitted():
    # What had to be assumed is in the authority file.
    assumed = PUBLISHED["assumed"]
    shares = {}
    for rho in assumed["left_right_correlation"]:
        given = inputs(
            population=study_population(
                assumed["scatter"].split(":")[0], left_right_correlation=rho
            ),
            case={"record": {"thickness_mm": PUBLISHED["vertical_change_mm"], "site": NAMES[0]}},
        )
        error = given.close(draws(given, 100_000), "arbitrary").error_mm[:, 0]
        size = np.hypot(error[:, 0], error[:, 1])
        shares[rho] = 100.0 * np.array(
            [np.mean(size < 0.3), np.mean((size >= 0.3) & (size < 0.5)), np.mean(size >= 0.5)]
        )
    told = np.array(
        [
            PUBLISHED["below_300_um_percent"],
            PUBLISHED["from_300_to_500_um_percent"],
            PUBLISHED["above_500_um_percent"],
        ]
    )
    # 57 subjects: a share of 87 % has a sampling SD of 4.5 points; ours agrees within 2.
    for got in shares.values():
        assert got == pytest.approx(told, abs=2.0)


def test_the_published_incidence_does_not_come_out_with_the_2_mm_at_the_incisors():
    given = inputs(
        population=study_population("teteruck_lundeen_1966_earbow"),
        case={"record": {"thickness_mm": PUBLISHED["vertical_change_mm"], "site": "incisors"}},
    )
    error = given.close(draws(given, 20_000), "arbitrary").error_mm[:, 0]
    below = 100.0 * np.mean(np.hypot(error[:, 0], error[:, 1]) < 0.3)
    assert below > PUBLISHED["below_300_um_percent"] + 5.0


def test_the_decision_chart_is_the_chord_times_the_axis_error_in_the_midline():
    given = inputs()
    chart = decision_chart(
        given, [0.0, 1.0, 3.0], [0.0, 5.0], rng=np.random.default_rng(0), directions=500
    )
    assert np.abs(chart.worst_mm[0]).max() < 1e-12
    assert np.abs(chart.worst_mm[:, 0]).max() < 1e-12
    # Both sides off together give 2 sin(theta/2) |A| = 167.785 um at 3 mm (published_values 8.6);
    # sides off apart can give more, never less.
    assert 0.1677 < chart.worst_mm[2, 1] < 0.5
    assert (np.diff(chart.worst_mm, axis=0)[:, 1] > 0).all()
    assert (chart.coverage_mm <= chart.worst_mm + 1e-15).all()


def test_a_located_axis_whose_errors_hang_together_is_one_cause_of_four_numbers():
    together = 0.5 * np.eye(4) + 0.5
    given = inputs(population=PARALLEL, true_axis_covariance_mm2=together)
    groups = dict(given.groups)
    first = given.population.n_uniform
    assert groups["error in locating the true axis"] == tuple(range(first, first + 4))
    apart = inputs(population=PARALLEL, true_axis_covariance_mm2=np.diag([1.0, 0.0, 1.0, 0.0]))
    columns = [c for _, group in apart.groups for c in group if c >= first]
    assert columns[:2] == [first, first + 2]


def test_the_uncertain_inputs_are_named_and_each_column_is_used_once():
    given = inputs(
        population=NormalPopulation(1, 1),
        true_axis_covariance_mm2=np.eye(4),
        record_sd_mm=0.1,
        target_sd_mm=0.1,
        case={"mounting_covariance": np.eye(6) * 1e-4},
    )
    columns = sorted(c for _, group in given.groups for c in group)
    assert columns == list(range(given.n_uniform))
    assert "superior error of the right point" in [w for w, _ in given.groups]


def test_the_moments_of_the_inputs_are_those_of_their_draws():
    root = np.random.default_rng(1).normal(size=(6, 6))
    given = inputs(
        population=NormalPopulation(1, 2, 3, -1, 0.5),
        true_axis_covariance_mm2=np.array(np.cov(np.random.default_rng(0).normal(size=(4, 9)))),
        record_sd_mm=0.3,
        target_sd_mm=0.2,
        case={"mounting_covariance": root @ root.T},
    )
    mean, cov = given.moments()
    x = draws(given, 100_000)
    assert np.allclose(x.mean(axis=0), mean, atol=0.05)
    assert np.allclose(np.cov(x.T), cov, atol=0.03 * np.abs(cov).max())


def test_a_scatter_that_leaves_no_closure_is_refused():
    given = inputs(case={"record": {"thickness_mm": 3.0, "site": "incisors"}}, record_sd_mm=200.0)
    with pytest.raises(InputError, match="without a closure"):
        propagate(given)


def test_contact_without_casts_is_refused():
    with pytest.raises(InputError, match="casts"):
        propagate(inputs(stop="contact"), max_trials=1000)


@pytest.mark.parametrize(("share", "n"), [(0.0, 50), (0.5, 10), (1.0, 1000), (0.03, 400)])
def test_the_interval_of_a_counted_share_is_the_library_s(share, n):
    told = stats.binomtest(round(share * n), n).proportion_ci(method="wilson")
    assert wilson_interval(share, n) == pytest.approx((told.low, told.high), abs=1e-9)


@pytest.mark.parametrize(
    ("probability", "high", "words"),
    [
        (0.0, 0.0038, "under 0.4 %"),
        (0.0, 0.0012, "under 0.2 %"),
        (0.0005, 0.0009, "under 0.1 %"),
        (0.046, 0.05, "4.6 %"),
        (0.354, 0.36, "35 %"),
        (0.9992, 1.0, "over 99.9 %"),
    ],
)
def test_a_chance_is_told_as_finely_as_its_trials_allow(probability, high, words):
    assert percent(probability, high) == words


@pytest.mark.parametrize(
    ("arbitrary", "located", "words"),
    [
        (0.68, 0.0, "by 68 percentage points."),
        (0.014, 0.0, "by 1 percentage point."),
        (0.01, 0.0, "by 1 percentage point."),
        (0.0095, 0.0, "does not lower that chance by as much as one percentage point."),
        (0.0, 0.2, "does not lower"),
    ],
)
def test_what_locating_changes_is_said_in_whole_points(arbitrary, located, words):
    def way(name, value):
        chance = Chance(value, value, value)
        told = Way(name, "", "arbitrary")
        chances = Chances(chance, None, chance)
        return WayChance(told, 0.0, chances, np.zeros(1), 0.0, 0.0, 0, 0.0, 0.0, 0.0)

    found = way(AS_PLANNED, arbitrary), way(AT_PLANNED, 0.0), way(ways.LOCATED, located)
    spread = replace(propagate(inputs(), max_trials=100), ways=found)
    assert words in how_sure(spread)[1]
