"""Sobol' indices on closed forms, and the ranking in words."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.errors import InputError
from kinematics.sweep.ranking import study_sensitivity
from kinematics.uncertainty.populations import NormalPopulation
from kinematics.uncertainty.ranking import ranked, sensitivity_of, sobol
from tests import AUTHORITIES
from tests.makers.small_study import make_study
from tests.makers.small_uncertainty import inputs

TOLD = tomllib.loads((AUTHORITIES / "ishigami.toml").read_text(encoding="utf-8"))
GROUPS = (("x1", (0,)), ("x2", (1,)), ("x3", (2,)))


def ishigami(u):
    x1, x2, x3 = (np.pi * (2.0 * u - 1.0)).T
    return np.sin(x1) + 7.0 * np.sin(x2) ** 2 + 0.1 * x3**4 * np.sin(x1)


def test_the_authority_s_digits_are_those_of_the_closed_form():
    v1 = (1 + 0.1 * np.pi**4 / 5) ** 2 / 2
    v2, v13 = 49 / 8, 8 * 0.01 * np.pi**8 / 225
    v = v1 + v2 + v13
    assert TOLD["variance"] == pytest.approx(v, rel=1e-14)
    assert TOLD["first"] == pytest.approx([v1 / v, v2 / v, 0.0], rel=1e-14)
    assert TOLD["total"] == pytest.approx([(v1 + v13) / v, v2 / v, v13 / v], rel=1e-14)


def test_the_ishigami_function_comes_out():
    result = sobol(ishigami, GROUPS, 3, samples=8192, seed=1)
    assert result.mean == pytest.approx(TOLD["mean"], abs=0.02)
    assert result.variance == pytest.approx(TOLD["variance"], rel=0.01)
    assert result.first == pytest.approx(TOLD["first"], abs=0.02)
    assert result.total == pytest.approx(TOLD["total"], abs=0.02)
    for told, ends in (
        (TOLD["first"], result.first_interval),
        (TOLD["total"], result.total_interval),
    ):
        assert (ends[:, 0] <= told).all()
        assert (told <= ends[:, 1]).all()
    assert result.order.tolist() == [0, 1, 2]


def test_the_other_library_agrees():
    from SALib.analyze import sobol as analyze
    from SALib.sample import sobol as sample

    problem = {"num_vars": 3, "names": ["a", "b", "c"], "bounds": [[0, 1]] * 3}
    x = sample.sample(problem, 4096, calc_second_order=False, seed=2)
    told = analyze.analyze(problem, ishigami(x), calc_second_order=False, seed=2)
    ours = sobol(ishigami, GROUPS, 3, samples=4096, seed=3)
    assert ours.first == pytest.approx(told["S1"], abs=0.03)
    assert ours.total == pytest.approx(told["ST"], abs=0.03)


def test_one_input_alone_explains_everything():
    result = sobol(lambda u: u[:, 0] ** 2, (("x", (0,)),), 1, samples=1024, seed=1)
    assert result.first == pytest.approx([1.0], abs=0.05)
    assert result.total == pytest.approx([1.0], abs=1e-3)
    assert result.first_interval.shape == (1, 2)


def test_a_group_s_total_index_counts_what_its_columns_do_together():
    groups = (("x1 and x3", (0, 2)), ("x2", (1,)))
    result = sobol(ishigami, groups, 3, samples=4096, seed=1)
    both = TOLD["first"][0] + TOLD["total"][2]
    assert result.first[0] == pytest.approx(both, abs=0.02)
    assert result.total[0] == pytest.approx(both, abs=0.02)


@settings(max_examples=10)
@given(st.lists(st.floats(0.1, 3.0), min_size=2, max_size=4))
def test_a_sum_shares_its_variance_as_the_squares_of_its_factors(factors):
    c = np.array(factors)
    groups = tuple((f"x{i}", (i,)) for i in range(len(c)))
    result = sobol(lambda u: u @ c, groups, len(c), samples=1024, seed=4)
    told = c**2 / (c**2).sum()
    assert result.first == pytest.approx(told, abs=0.03)
    assert result.total == pytest.approx(told, abs=0.03)


def test_the_intervals_narrow_with_more_samples():
    wide = sobol(ishigami, GROUPS, 3, samples=256, seed=1)
    narrow = sobol(ishigami, GROUPS, 3, samples=4096, seed=1)
    assert (np.ptp(narrow.total_interval, axis=1) < np.ptp(wide.total_interval, axis=1)).all()


def test_the_widest_error_of_one_point_comes_out_first_in_words():
    # A 2-degree closing, left and right scatter alike but for the right point's height.
    given_inputs = inputs(
        (0.0, 0.0, 0.0, 0.0),
        population=NormalPopulation(1.0, 1.0),
        true_axis_covariance_mm2=np.diag([0.0, 0.0, 0.0, 36.0]),
        record_sd_mm=0.01,
    )
    table = ranked(sensitivity_of(given_inputs, samples=1024))
    # The scatter is about the actual true axis: the error in locating it changes nothing.
    assert table[0].name != "superior error in locating the right point of the true axis"
    measured = inputs(
        (4.0, -3.0, 5.5, -1.0),
        true_axis_covariance_mm2=np.diag([0.25, 0.25, 0.25, 9.0]),
        record_sd_mm=0.01,
    )
    table = ranked(sensitivity_of(measured, samples=1024))
    assert table[0].name == "superior error in locating the right point of the true axis"
    assert "matters most in this patient" in table[0].sentence
    assert [r.rank for r in table] == [1, 2, 3, 4, 5]
    assert [r.total for r in table] == sorted((r.total for r in table), reverse=True)
    assert "comes second" in table[1].sentence or "hardly matters" in table[1].sentence


def test_a_parallel_axis_is_ranked_by_its_two_coordinates():
    population = NormalPopulation(1.0, 4.0, left_right_correlation=1.0)
    table = ranked(sensitivity_of(inputs(population=population), samples=1024))
    assert [r.name for r in table] == [
        "superior error of both points",
        "anterior error of both points",
    ]
    assert table[0].total > 0.9


def test_the_same_seed_repeats():
    one, two = (sobol(ishigami, GROUPS, 3, samples=256, seed=5) for _ in range(2))
    assert (one.total_interval == two.total_interval).all()


def test_a_study_ranks_the_numbers_that_it_varies(tmp_path):
    vary = [
        {"field": "arbitrary_axis.left_superior_mm", "mean": 0.0, "sd": 0.3},
        {"field": "arbitrary_axis.right_superior_mm", "mean": 0.0, "sd": 4.0},
        {"field": "record.thickness_mm", "low": 2.99, "high": 3.01},
    ]
    study = make_study(tmp_path, vary=vary, stops=["equal_angle"])
    found = study_sensitivity(study, samples=512)
    assert found.samples == 512
    assert study_sensitivity(study).samples == 4096
    table = ranked(found)
    assert table[0].name == "superior error of the right point"
    assert table[0].total > 0.9
    assert table[-1].name in ("thickness of the record", "superior error of the left point")


def test_a_study_of_any_other_number_is_ranked_case_by_case(tmp_path):
    vary = [
        {"field": "true_axis.width_mm", "low": 100.0, "high": 120.0},
        {"field": "arbitrary_axis.right_superior_mm", "low": -5.0, "high": 5.0},
    ]
    table = ranked(study_sensitivity(make_study(tmp_path, vary=vary), samples=16))
    assert {r.name for r in table} == {"true_axis.width_mm", "superior error of the right point"}


def test_a_study_with_a_stop_that_it_does_not_compute_is_refused(tmp_path):
    with pytest.raises(InputError, match="stops"):
        study_sensitivity(make_study(tmp_path), stop="contact")


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: sobol(ishigami, (), 3, samples=64, seed=1), "no uncertain input"),
        (lambda: sobol(ishigami, GROUPS, 3, samples=100, seed=1), "power of two"),
        (lambda: sobol(ishigami, GROUPS, 3, samples=64, seed=1, confidence=1.0), "confidence"),
        (lambda: sobol(lambda u: np.ones(len(u)), GROUPS, 3, samples=64, seed=1), "never changes"),
        (
            lambda: sobol(lambda u: np.full(len(u), np.nan), GROUPS, 3, samples=64, seed=1),
            "closure",
        ),
        (lambda: sensitivity_of(inputs()), "no uncertain input"),
    ],
)
def test_what_cannot_be_ranked_is_refused(call, text):
    with pytest.raises(InputError, match=text):
        call()
