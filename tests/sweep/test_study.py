"""Study files: designs, and what is refused before anything runs."""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from kinematics.base.errors import InputError
from kinematics.case.read import write_case
from kinematics.sweep.design import check_design, quantile, sample_points
from kinematics.sweep.study import Vary, digest, read_study, study_from_dict
from tests.makers.cases import landmarks_only
from tests.makers.small_study import VARY, casts_case, make_study


def whole(study):
    return np.concatenate([sample_points(study, i) for i in range(study.chunks)])


def test_a_study_file_is_read_beside_its_case(tmp_path):
    make_study(tmp_path)
    (tmp_path / "study.toml").write_text(
        'schema = "hingewise-study/1"\ncase = "case.toml"\ndesign = "sobol"\nsamples = 64\n'
        'stops = ["pin"]\nlandmarks = ["47 cusp"]\n'
        '[[vary]]\nfield = "record.thickness_mm"\nlow = 2.0\nhigh = 4.0\n',
        encoding="utf-8",
    )
    study = read_study(tmp_path / "study.toml")
    assert study.samples == 64
    assert study.stops == ("pin",)
    assert study.landmarks == ("47 cusp",)
    assert study.vary == (Vary("record.thickness_mm", "range", 2.0, 4.0),)
    assert not study.first_contact


def test_a_grid_takes_every_combination_once(tmp_path):
    vary = [
        {"field": "arbitrary_axis.left_anterior_mm", "low": -2.0, "high": 2.0, "steps": 5},
        {"field": "record.thickness_mm", "values": [1.0, 2.0, 3.0]},
    ]
    study = make_study(tmp_path, design="grid", vary=vary, samples=None)
    assert study.samples == 15
    told = {(a, t) for a in (-2.0, -1.0, 0.0, 1.0, 2.0) for t in (1.0, 2.0, 3.0)}
    assert {tuple(row) for row in whole(study).tolist()} == told


@pytest.mark.parametrize("design", ["monte_carlo", "sobol", "latin_hypercube"])
def test_rows_follow_the_stated_distributions(tmp_path, design):
    study = make_study(tmp_path, design=design, samples=2048, chunk=100)
    x = whole(study)
    assert x.shape == (2048, 2)
    assert stats.kstest((x[:, 0] + 5.0) / 10.0, "uniform").pvalue > 1e-3
    assert stats.kstest((x[:, 1] - 3.0) / 0.2, "norm").pvalue > 1e-3


@settings(max_examples=15)
@given(
    st.sampled_from(["monte_carlo", "sobol", "latin_hypercube"]),
    st.integers(10, 60),
    st.integers(0, 99),
)
def test_a_chunk_does_not_depend_on_the_others(tmp_path_factory, design, chunk, seed):
    folder = tmp_path_factory.mktemp("study")
    study = make_study(folder, design=design, samples=130, chunk=chunk, seed=seed)
    parts = {i: sample_points(study, i) for i in reversed(range(study.chunks))}
    again = {i: sample_points(study, i) for i in range(study.chunks)}
    for i, rows in parts.items():
        assert np.array_equal(rows, again[i])
        assert len(rows) == len(study.rows_of(i))
    if design != "monte_carlo":
        other = make_study(folder, design=design, samples=130, chunk=130, seed=seed)
        assert np.array_equal(np.concatenate(list(again.values())), whole(other))


def test_the_sobol_sequence_is_the_library_s(tmp_path):
    from scipy.stats import qmc

    study = make_study(tmp_path, design="sobol", samples=64, chunk=16, vary=VARY[:1])
    told = qmc.Sobol(1, scramble=True, rng=np.random.default_rng(3)).random(64)
    assert whole(study) == pytest.approx(-5.0 + 10.0 * told)


def test_a_latin_hypercube_has_one_row_in_every_slice(tmp_path):
    study = make_study(tmp_path, design="latin_hypercube", samples=50)
    slices = np.floor((whole(study)[:, 0] + 5.0) / 10.0 * 50).astype(int)
    assert sorted(slices.tolist()) == list(range(50))


def test_another_seed_gives_other_rows(tmp_path):
    for design in ("monte_carlo", "sobol", "latin_hypercube"):
        one = whole(make_study(tmp_path, design=design, seed=1))
        two = whole(make_study(tmp_path, design=design, seed=2))
        assert not np.array_equal(one, two)


def test_listed_values_are_equally_likely():
    u = np.linspace(0.0005, 0.9995, 1000)
    x = quantile(Vary("f", "values", values=(1.0, 5.0)), u)
    assert (x == 1.0).sum() == 500


def test_the_identity_changes_with_case_meshes_and_seed(tmp_path):
    base = digest(make_study(tmp_path).identity())
    assert digest(make_study(tmp_path).identity()) == base
    assert digest(make_study(tmp_path, seed=4).identity()) != base
    other = {"decision": {"tolerance_mm": 0.2}}
    assert digest(make_study(tmp_path, other).identity()) != base
    meshes = casts_case(tmp_path)
    one = make_study(tmp_path, meshes)
    before = digest(one.identity())
    (tmp_path / "lower.stl").write_bytes((tmp_path / "upper.stl").read_bytes())
    assert digest(one.identity()) != before


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"articulator": {"records": [{"kind": "protrusive", "file": "scan.stl"}]}},
         "articulator.records.0.file"),
        ({"mounting": {"method": "located_axis", "left": [0.0, 1.0, 0.0],
                       "third_point_mm": [80.0, 0.0, 0.0], "openings": [{"file": "scan.stl"}]},
          "true_axis": None}, "mounting.openings.0.file"),
    ],
)  # fmt: skip
def test_the_identity_holds_every_scan_that_the_rows_depend_on(tmp_path, changes, field):
    case = casts_case(tmp_path) | changes
    scan = tmp_path / "scan.stl"
    scan.write_bytes((tmp_path / "lower.stl").read_bytes())
    study = make_study(tmp_path, case)
    before = study.identity()
    scan.write_bytes((tmp_path / "upper.stl").read_bytes())
    after = study.identity()
    assert set(after["meshes"]) == {"upper", "lower", field}
    assert digest(after) != digest(before)
    scan.unlink()
    with pytest.raises(InputError) as caught:
        study.identity()
    assert caught.value.where == field


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({"vary": [{"field": "record.thicknes_mm", "low": 1, "high": 2}]}, "record.thickness_mm"),
        ({"vary": [{"field": "record.thickness_mm", "low": 2, "high": 1}]}, "reversed range"),
        ({"vary": [{"field": "record.thickness_mm", "low": 2, "high": 2}]}, "empty range"),
        ({"vary": [{"field": "record.thickness_mm", "low": 2}]}, "high"),
        ({"vary": [{"field": "record.thickness_mm", "low": -9.0, "high": 2}]}, "thickness_mm"),
        ({"vary": [{"field": "record.thickness_mm", "mean": 3, "sd": 0.0}]}, "more than 0"),
        ({"vary": [{"field": "record.thickness_mm", "values": []}]}, "at least one value"),
        ({"vary": [{"field": "record.thickness_mm"}]}, "no values"),
        (
            {"vary": [{"field": "record.thickness_mm", "low": 1, "high": 2, "values": [1]}]},
            "low/high and values",
        ),
        ({"vary": [{"field": "record.thickness_mm", "lo": 1, "high": 2}]}, "'low'"),
        (
            {"vary": [{"field": "record.thickness_mm", "low": float("nan"), "high": 2}]},
            "finite number",
        ),
        ({"vary": [VARY[0], VARY[0]]}, "twice"),
        ({"vary": []}, "at least one"),
        ({"vary": [{"field": "uncertainty.seed", "low": 1, "high": 2}]}, "depends on"),
        ({"samples": 0}, "samples"),
        ({"samples": 1_000_000_000}, "400 GB"),
        ({"samples": 2.5}, "whole number"),
        ({"design": "sobl"}, "'sobol'"),
        ({"design": "grid"}, "steps"),
        ({"stops": ["pinn"]}, "'pin'"),
        ({"stops": []}, "Name a stop"),
        ({"first_contact": True}, "without casts"),
        ({"stops": ["contact"]}, "without casts"),
        ({"chunk": 1}, "chunk"),
        ({"seed": -1}, "seed"),
        ({"smaples": 5}, "'samples'"),
        ({"schema": "hingewise-case/1"}, "schema"),
        ({"case": "none.toml"}, "none.toml"),
    ],
)
def test_a_study_that_cannot_be_meant_is_refused_by_name(tmp_path, changes, text):
    with pytest.raises(InputError, match=text):
        make_study(tmp_path, **changes)


def test_a_grid_with_a_sample_count_or_a_normal_is_refused(tmp_path):
    grid = {"design": "grid", "vary": [{"field": "record.thickness_mm", "values": [1.0]}]}
    with pytest.raises(InputError, match="counts its points"):
        make_study(tmp_path, **grid)


def test_a_latin_hypercube_beyond_memory_is_refused_with_its_size(tmp_path):
    study = make_study(tmp_path, design="latin_hypercube", samples=90_000_000)
    with pytest.raises(InputError, match=r"1\.4 GB in memory"):
        check_design(study)


@pytest.mark.parametrize("content", [b"\xff\xfe", b"a = ", b"x" * 2_000_000])
def test_a_file_that_is_no_study_is_refused_with_its_name(tmp_path, content):
    path = tmp_path / "study.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"study\.toml"):
        read_study(path)


def test_an_absent_study_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"none\.toml"):
        read_study(tmp_path / "none.toml")


def test_a_pipe_in_place_of_a_study_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "study.toml")
    with pytest.raises(InputError, match=r"study\.toml"):
        read_study(tmp_path / "study.toml")


@pytest.mark.parametrize("text", ["a." * 100 + "b = 1", "x = " + "9" * 6000, "[" * 3000])
def test_text_that_strains_the_reader_is_one_error(tmp_path, text):
    (tmp_path / "study.toml").write_text(text)
    with pytest.raises(InputError, match=r"study\.toml"):
        read_study(tmp_path / "study.toml")


@pytest.mark.parametrize(
    ("vary", "words"),
    [
        ({"mean": 3.0, "sd": 0.0}, "more than 0"),
        ({"mean": 3.0, "sd": 1.0, "low": 1.0}, "Keep one form"),
        ({"low": 2.0, "high": 2.0}, "an empty range"),
        ({"low": 3.0, "high": 2.0}, "a reversed range"),
    ],
)
def test_what_varies_is_refused_with_the_study_file_named(vary, words, tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    rows = "".join(f"{k} = {v}\n" for k, v in vary.items())
    (tmp_path / "study.toml").write_text(
        'schema = "hingewise-study/1"\ncase = "case.toml"\nsamples = 4\n[[vary]]\n'
        f'field = "record.thickness_mm"\n{rows}'
    )
    with pytest.raises(InputError, match=words) as caught:
        read_study(tmp_path / "study.toml")
    assert str(caught.value.file).endswith("study.toml")


def test_a_spread_has_no_place_in_a_grid(tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    vary = [{"field": "record.thickness_mm", "mean": 3.0, "sd": 1.0}]
    study = {"schema": "hingewise-study/1", "case": "case.toml", "design": "grid", "vary": vary}
    with pytest.raises(InputError, match="mean and sd in a grid"):
        study_from_dict(study, folder=tmp_path)
