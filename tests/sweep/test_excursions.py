"""Sweeps take condylar settings: excursion errors as columns, equal to the single comparison."""

import inspect

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.excursions.compare import excursion_errors
from kinematics.sweep.rows import evaluate_chunk, sweep_job
from kinematics.sweep.run import read_sweep, run_sweep
from tests.makers.small_study import casts_case, make_study

SETTINGS = {"sagittal_inclination_left_deg": 38.0, "sagittal_inclination_right_deg": 42.0}
VARY = [
    {"field": "articulator.sagittal_inclination_left_deg", "values": [30.0, 38.0, 46.0]},
    {"field": "arbitrary_axis.left_superior_mm", "values": [-3.0, 3.0]},
]


def study(folder, **changes):
    return make_study(
        folder,
        {"articulator": SETTINGS},
        **{
            "design": "grid",
            "samples": None,
            "vary": VARY,
            "excursions": True,
            "stops": ["pin"],
            **changes,
        },
    )


def test_each_row_holds_the_excursion_error_of_its_own_case(tmp_path):
    told = study(tmp_path)
    rows = evaluate_chunk(sweep_job(told), 0)
    assert list(rows["status"]) == ["ok"] * 6
    for i in (0, 5):
        case = told.case
        for v in told.vary:
            case = set_field(case, v.field, float(rows[v.field][i]))
        errors = assess(case).excursions
        for kind, error in errors.kinds.items():
            size = np.linalg.norm(error.error_mm, axis=2)
            ours = rows[f"excursion_error_mm.{kind}"][i]
            # The assessment takes 20 steps, the sweep 4: the largest error between them may differ
            assert size[-1].max() - 1e-9 <= ours <= size.max() + 1e-9
            assert ours == pytest.approx(size.max(), rel=0.05, abs=1e-9)
            assert rows[f"excursion_complete.{kind}"][i]


def test_the_condylar_setting_changes_the_lateral_error_and_not_the_closure(tmp_path):
    rows = evaluate_chunk(sweep_job(study(tmp_path)), 0)
    low = rows["articulator.sagittal_inclination_left_deg"] == 30.0
    high = rows["articulator.sagittal_inclination_left_deg"] == 46.0
    np.testing.assert_array_equal(
        rows["worst_displacement_mm.pin"][low], rows["worst_displacement_mm.pin"][high]
    )
    lateral = rows["excursion_error_mm.right_lateral"]
    assert np.abs(lateral[low] - lateral[high]).max() > 1e-4


def test_the_columns_survive_the_files(tmp_path):
    told = study(tmp_path / "study")
    run_sweep(told, tmp_path / "rows", workers=1)
    table = read_sweep(told, tmp_path / "rows")
    assert np.isfinite(table["excursion_error_mm.protrusion"].to_numpy()).all()


def test_impossible_settings_keep_their_row_without_a_result(tmp_path):
    """An axis of 40 mm is a case; the elements' distance, which follows it, is no articulator."""
    vary = [{"field": "true_axis.width_mm", "values": [40.0, 110.0]}]
    rows = evaluate_chunk(sweep_job(study(tmp_path, vary=vary)), 0)
    assert rows["status"][0].startswith("refused")
    assert "intercondylar_mm" in rows["status"][0]
    assert np.isnan(rows["excursion_error_mm.protrusion"][0])
    assert rows["status"][1] == "ok"


def test_a_setting_out_of_range_is_refused_before_any_row(tmp_path):
    vary = [{"field": "articulator.guide_radius_left_mm", "values": [1.0, 20.0]}]
    with pytest.raises(InputError, match=r"guide_radius_left_mm.*got 1\.0"):
        study(tmp_path, vary=vary)


def test_a_condylar_setting_without_excursions_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"only the excursions depend on.*excursions = true"):
        study(tmp_path, excursions=False)


@pytest.mark.parametrize("front", ["teeth", "first"])
def test_rows_follow_the_teeth_where_the_case_says_so(tmp_path, front):
    """As the single assessment of the same case; the pin alone gives other numbers."""
    with_casts = casts_case(tmp_path) | {"articulator": {**SETTINGS, "front": front}}
    vary = [{"field": "arbitrary_axis.left_superior_mm", "values": [-3.0, 3.0]}]
    told = make_study(
        tmp_path, with_casts, design="grid", samples=None, vary=vary, excursions=True, stops=["pin"]
    )
    rows = evaluate_chunk(sweep_job(told), 0)
    assert list(rows["status"]) == ["ok"] * 2
    for i in range(2):
        case = set_field(told.case, "arbitrary_axis.left_superior_mm", rows[vary[0]["field"]][i])
        one = assess(case)
        for kind, error in one.excursions.kinds.items():
            size = np.linalg.norm(error.error_mm, axis=2).max()
            assert rows[f"excursion_error_mm.{kind}"][i] == pytest.approx(size, abs=1e-9)
    on_pin = make_study(
        tmp_path / "pin", casts_case(tmp_path / "pin") | {"articulator": SETTINGS},
        design="grid", samples=None, vary=vary, excursions=True, stops=["pin"],
    )  # fmt: skip
    other = evaluate_chunk(sweep_job(on_pin), 0)
    changed = rows["excursion_error_mm.protrusion"] - other["excursion_error_mm.protrusion"]
    # The level table keeps these low arches apart: there the pin is what meets first.
    assert bool(np.abs(changed).max() > 1e-3) is (front == "teeth")


@pytest.mark.parametrize(("front", "steps"), [("pin", 4), ("teeth", 20), ("first", 20)])
def test_teeth_are_followed_in_the_steps_of_an_assessment(tmp_path, monkeypatch, front, steps):
    asked = []

    def excursions(*_, steps):
        asked.append(steps)
        raise InputError("articulator", "nothing", "something", "Try again.")

    monkeypatch.setattr("kinematics.sweep.rows.excursion_errors", excursions)
    changes = casts_case(tmp_path) | {"articulator": {**SETTINGS, "front": front}}
    grid = {"design": "grid", "samples": None, "vary": VARY[1:], "stops": ["pin"]}
    told = make_study(tmp_path, changes, excursions=True, **grid)
    evaluate_chunk(sweep_job(told), 0)
    assert asked == [steps] * 2
    assert inspect.signature(excursion_errors).parameters["steps"].default == 20
