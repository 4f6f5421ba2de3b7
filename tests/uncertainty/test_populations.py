"""Populations of arbitrary points: published figures, samplers and bad input."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kinematics.base.errors import InputError
from kinematics.uncertainty import populations as pop
from kinematics.uncertainty import published_scatter as published
from tests import AUTHORITIES

AUTHORITY = AUTHORITIES / "arbitrary_points.toml"
PUBLISHED = tomllib.loads(AUTHORITY.read_text(encoding="utf-8"))["study"]


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: row["key"])
def test_each_study_carries_its_published_figure_and_gives_the_tabled_sd(row):
    study = published.STUDIES[row["key"]]
    assert study.n == row.get("n")
    assert study.radius_mm == row.get("radius_mm")
    assert study.mean_distance_mm == row.get("mean_distance_mm")
    if "percent" in row:
        assert study.fraction == pytest.approx(row["percent"] / 100.0)
    decimals = len(row["sd_mm"].split(".")[1])
    assert abs(study.sd_mm - float(row["sd_mm"])) <= 0.5 * 10.0**-decimals + 1e-12


def test_a_study_is_sampled_with_its_published_fraction_inside_its_radius():
    for study in published.STUDIES.values():
        if study.radius_mm is None:
            continue
        rng = np.random.default_rng(3)
        x = pop.study_population(study.key).sample(40_000, rng=rng)
        for side in (x[:, :2], x[:, 2:]):
            inside = np.mean(np.hypot(side[:, 0], side[:, 1]) < study.radius_mm)
            assert abs(inside - study.fraction) < 4.0 * np.sqrt(0.25 / 40_000)


def test_a_study_given_by_its_mean_distance_is_sampled_with_that_mean():
    x = pop.study_population("nagy_2002").sample(100_000, rng=np.random.default_rng(1))
    assert np.hypot(x[:, 0], x[:, 1]).mean() == pytest.approx(1.1, abs=0.01)


def test_every_study_names_its_source_its_mark_and_how_it_was_turned_into_a_distribution():
    for key, study in published.STUDIES.items():
        label = pop.study_population(key).label
        assert study.mark in label
        assert "Gaussian" in label
        assert study.citation
        assert "READ" in study.mark or "memory" in study.mark
    assert not set(published.STUDIES) & set(published.NOT_USED)


@settings(max_examples=25)
@given(
    st.floats(0.0, 9.0),
    st.floats(0.0, 9.0),
    st.floats(-6.0, 6.0),
    st.floats(-6.0, 6.0),
    st.floats(-1.0, 1.0),
)
def test_normal_samples_have_the_asked_mean_sd_and_left_right_correlation(sa, ss, ba, bs, rho):
    x = pop.NormalPopulation(sa, ss, ba, bs, rho).sample(20_000, rng=np.random.default_rng(8))
    sd = np.array([sa, ss, sa, ss])
    assert np.allclose(x.mean(axis=0), [ba, bs, ba, bs], atol=5 * sd.max() / np.sqrt(20_000) + 1e-9)
    assert np.allclose(x.std(axis=0), sd, rtol=0.04, atol=1e-9)
    cov = np.cov(x.T)
    assert cov[0, 2] == pytest.approx(rho * sa**2, abs=0.04 * sa**2 + 1e-9)
    assert cov[1, 3] == pytest.approx(rho * ss**2, abs=0.04 * ss**2 + 1e-9)
    assert abs(cov[0, 1]) <= 0.04 * sa * ss + 1e-9


def test_the_disc_is_uniform_over_its_area():
    x = pop.DiscPopulation(4.0).sample(20_000, rng=np.random.default_rng(2))
    r = np.hypot(x[:, 2], x[:, 3])
    assert r.max() <= 4.0
    assert stats.kstest((r / 4.0) ** 2, "uniform").pvalue > 1e-3
    turn = np.arctan2(x[:, 1], x[:, 0]) / (2 * np.pi) % 1.0
    assert stats.kstest(turn, "uniform").pvalue > 1e-3


def test_empirical_draws_keep_the_two_sides_of_one_patient_together(tmp_path):
    path = tmp_path / "offsets.csv"
    rows = [[1, 2, 3, 4], [-5, 6, -7, 8], [0.5, 0, 0, -1]]
    lines = [",".join(pop.OFFSETS), *(",".join(map(str, r)) for r in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    population = pop.read_offsets(path)
    x = population.sample(3_000, rng=np.random.default_rng(5))
    unique, count = np.unique(x, axis=0, return_counts=True)
    assert sorted(unique.tolist()) == sorted([list(map(float, r)) for r in rows])
    assert count.min() > 800


def test_the_measured_offset_never_varies():
    x = pop.MeasuredPopulation(np.array([4.0, -3.0, 5.5, -1.0])).sample(
        7, rng=np.random.default_rng(0)
    )
    assert x.shape == (7, 4)
    assert (x == [4.0, -3.0, 5.5, -1.0]).all()


def test_groups_cover_each_uniform_exactly_once():
    for population in (
        pop.NormalPopulation(1, 2),
        pop.NormalPopulation(1, 2, left_right_correlation=0.5),
        pop.DiscPopulation(3),
        pop.EmpiricalPopulation(np.zeros((2, 4))),
    ):
        columns = [c for _, group in population.groups for c in group]
        assert sorted(columns) == list(range(population.n_uniform))


@pytest.mark.parametrize(
    "population",
    [
        pop.NormalPopulation(1.0, 2.0, 3.0, -1.0, 0.6),
        pop.DiscPopulation(3.0),
        pop.EmpiricalPopulation(np.random.default_rng(0).normal(size=(9, 4))),
        pop.MeasuredPopulation(np.array([4.0, -3.0, 5.5, -1.0])),
    ],
    ids=["normal", "disc", "empirical", "measured"],
)
def test_the_stated_moments_are_those_of_the_samples(population):
    mean, covariance = population.moments()
    x = population.sample(100_000, rng=np.random.default_rng(6))
    assert np.allclose(x.mean(axis=0), mean, atol=0.03)
    assert np.allclose(np.cov(x.T), covariance, atol=0.06)


def test_the_named_input_is_the_one_that_moves():
    population = pop.NormalPopulation(1, 2)
    base = np.full((1, 4), 0.5)
    for word, (column,) in population.groups:
        u = base.copy()
        u[0, column] = 0.9
        moved = np.flatnonzero(population.from_uniform(u)[0] != population.from_uniform(base)[0])
        assert [pop.OFFSET_WORDS[i] for i in moved] == [word]


def test_the_same_generator_state_gives_the_same_draws_and_never_an_infinite_one():
    one = pop.study_population("walker_1980").sample(1000, rng=np.random.default_rng(4))
    two = pop.study_population("walker_1980").sample(1000, rng=np.random.default_rng(4))
    assert (one == two).all()
    assert np.isfinite(one).all()


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: pop.study_population("walker_1981"), "walker_1980"),
        (lambda: pop.NormalPopulation(-1.0, 1.0), "sd_anterior_mm"),
        (lambda: pop.NormalPopulation(1.0, float("nan")), "sd_superior_mm"),
        (lambda: pop.NormalPopulation(1, 1, left_right_correlation=1.2), "left_right_correlation"),
        (lambda: pop.DiscPopulation(-2.0), "radius_mm"),
        (lambda: pop.MeasuredPopulation(np.zeros(3)), "arbitrary_axis"),
        (lambda: pop.EmpiricalPopulation(np.zeros((0, 4))), "at least one row"),
        (lambda: published.sd_from_percentage(5.0, 1.0), "fraction"),
    ],
)
def test_bad_populations_are_refused_by_name(call, text):
    with pytest.raises(InputError, match=text):
        call()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "missing columns"),
        (",".join(pop.OFFSETS) + "\n", "at least one row"),
        (",".join(pop.OFFSETS) + "\n1,2,x,4\n", "line 2"),
        (",".join(pop.OFFSETS) + "\n1,2\n", "line 2"),
        (",".join(pop.OFFSETS) + "\n1,2,nan,4\n", "finite"),
        ("", "an empty file"),
    ],
)
def test_a_bad_offsets_file_is_refused_with_its_name(tmp_path, text, message):
    path = tmp_path / "offsets.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        pop.read_offsets(path)
    assert "offsets.csv" in str(caught.value)


def test_an_absent_offsets_file_is_refused_with_its_name(tmp_path):
    with pytest.raises(InputError, match=r"none\.csv"):
        pop.read_offsets(tmp_path / "none.csv")
