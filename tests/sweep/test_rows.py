"""Rows of a sweep: batch against case by case, and against the assessment's own closures."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import set_field
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.sweep.rows import (
    NO_CLOSURE,
    evaluate_batch,
    evaluate_chunk,
    evaluate_each,
    sweep_job,
)
from tests.makers.small_study import CASE, casts_case, make_study

OFFSETS = [
    {"field": f"arbitrary_axis.{side}_{way}_mm", "low": -6.0, "high": 6.0}
    for side in ("left", "right")
    for way in ("anterior", "superior")
]
FORMS = {
    "thickness": ({}, [{"field": "record.thickness_mm", "low": 1.0, "high": 5.0}]),
    "record angle": (
        {"record": {"opening_deg": 2.0}},
        [{"field": "record.opening_deg", "low": 1.0, "high": 4.0}],
    ),
    "raise at the pin": (
        {"target": {"vdo_change_mm": 1.0, "site": "pin"}},
        [{"field": "target.vdo_change_mm", "low": -1.0, "high": 2.0}],
    ),
    "target angle": (
        {"target": {"opening_deg": 0.5}},
        [{"field": "target.opening_deg", "low": -1.0, "high": 1.0}],
    ),
}


def assert_same(one, two, rel=0.0):
    assert list(one) == list(two)
    for name in one:
        if one[name].dtype == object or one[name].dtype == bool:
            assert one[name].tolist() == two[name].tolist(), name
        else:
            assert np.allclose(one[name], two[name], rtol=rel, atol=1e-9, equal_nan=True), name


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("casts", [False, True], ids=["no casts", "casts"])
def test_the_batch_equals_case_by_case(tmp_path, form, casts):
    changes, vary = FORMS[form]
    if casts:
        changes = changes | casts_case(tmp_path)
    study = make_study(
        tmp_path,
        changes,
        samples=12,
        chunk=12,
        first_contact=casts,
        stops=["equal_angle", "pin", "contact"] if casts else ["equal_angle", "pin"],
        vary=[*OFFSETS, *vary, {"field": "decision.tolerance_mm", "values": [0.05, 0.1, 0.3]}],
    )
    job = sweep_job(study)
    assert job.batched
    columns = evaluate_chunk(job, 0)
    points = np.stack([columns[v.field] for v in study.vary], axis=1)
    assert (columns["status"] == "ok").all()
    assert_same(evaluate_batch(job, points), evaluate_each(job, points))
    if casts:
        assert (columns["contact_status.arbitrary"] == "contact").all()


def test_a_target_at_first_contact_is_found_for_every_row(tmp_path):
    changes = casts_case(tmp_path) | {"target": {"first_contact": True}}
    study = make_study(
        tmp_path, changes, samples=10, first_contact=True, stops=["pin", "contact"], vary=OFFSETS
    )
    job = sweep_job(study)
    columns = evaluate_chunk(job, 0)
    points = np.stack([columns[v.field] for v in study.vary], axis=1)
    assert_same(evaluate_batch(job, points), evaluate_each(job, points))
    closing = columns["record_opening_deg"] - columns["target_opening_deg"]
    assert closing == pytest.approx(columns["contact_closing_deg.true"])


def test_rows_equal_the_assessment_s_own_closure(tmp_path):
    study = make_study(tmp_path, samples=10, vary=[*OFFSETS, *FORMS["thickness"][1]])
    job = sweep_job(study)
    columns = evaluate_chunk(job, 0)
    for row in range(10):
        case = study.case
        for v in study.vary:
            case = set_field(case, v.field, float(columns[v.field][row]))
        geometry = geometry_of(place(case))
        for stop in study.stops:
            told = geometry.result(stop, geometry.arbitrary_axis)
            for j, name in enumerate(geometry.landmarks.names):
                got = [columns[f"error_{c}_mm.{stop}.{name}"][row] for c in "xyz"]
                assert got == pytest.approx(told.error_mm[j], abs=1e-9)
                assert columns[f"high_mm.{stop}.{name}"][row] == pytest.approx(
                    told.high_mm[j], abs=1e-9
                )
            at = int(np.argmax(told.magnitude_mm))
            assert columns[f"worst_landmark.{stop}"][row] == geometry.landmarks.names[at]
            assert columns[f"worst_displacement_mm.{stop}"][row] == pytest.approx(
                told.magnitude_mm[at]
            )
            assert bool(columns[f"within_tolerance.{stop}"][row]) == (told.magnitude_mm[at] <= 0.3)
        assert columns["departure_mm"][row] == pytest.approx(-columns["record.thickness_mm"][row])


@pytest.mark.parametrize("field", ["true_axis.width_mm", "landmarks.0.point_mm.0", "pin.tip_mm.0"])
def test_any_other_number_goes_case_by_case(tmp_path, field):
    case = {"pin": {"tip_mm": [130.0, 0.0, -35.0]}}
    ends = {"true_axis.width_mm": (90.0, 130.0)}.get(field, (48.0, 52.0))
    vary = [{"field": field, "low": ends[0], "high": ends[1]}]
    job = sweep_job(make_study(tmp_path, case, samples=5, chunk=10, vary=vary))
    assert not job.batched
    columns = evaluate_chunk(job, 0)
    assert (columns["status"] == "ok").all()
    changed = set_field(job.study.case, field, float(columns[field][2]))
    geometry = geometry_of(place(changed))
    told = geometry.result("pin", geometry.arbitrary_axis)
    assert columns["worst_displacement_mm.pin"][2] == pytest.approx(
        told.magnitude_mm.max(), abs=1e-9
    )


def test_only_the_landmarks_asked_for_are_reported_and_the_worst_is_of_all(tmp_path):
    job = sweep_job(make_study(tmp_path, samples=5, landmarks=["incisal point"], stops=["pin"]))
    columns = evaluate_chunk(job, 0)
    assert [c for c in columns if c.startswith("high_mm")] == ["high_mm.pin.incisal point"]
    every = evaluate_chunk(sweep_job(make_study(tmp_path, samples=5, stops=["pin"])), 0)
    assert set(every["worst_landmark.pin"].tolist()) != {"incisal point"}
    for name in columns:
        assert columns[name].tolist() == every[name].tolist(), name


def test_an_unknown_landmark_is_refused_with_the_known_ones(tmp_path):
    with pytest.raises(InputError, match="47 cusp"):
        sweep_job(make_study(tmp_path, landmarks=["48 cusp"]))


def test_a_row_that_the_case_refuses_keeps_its_place_and_says_why(tmp_path):
    vary = [{"field": "true_axis.width_mm", "mean": 110.0, "sd": 150.0}]
    job = sweep_job(make_study(tmp_path, samples=40, chunk=40, vary=vary))
    columns = evaluate_chunk(job, 0)
    refused = np.array([s.startswith("refused: ") for s in columns["status"]])
    assert 0 < refused.sum() < 40
    assert np.isnan(columns["worst_displacement_mm.pin"][refused]).all()
    assert np.isfinite(columns["worst_displacement_mm.pin"][~refused]).all()
    assert all("width_mm" in s for s in columns["status"][refused])
    assert not columns["within_tolerance.pin"][refused].any()


def test_a_row_without_a_closure_says_so(tmp_path):
    near = {"name": "near the axis", "point_mm": [12.0, 30.0, -5.0]}  # circle of radius 13 mm
    case = {
        "landmarks": [*CASE["landmarks"], near],
        "record": {"thickness_mm": 3.0, "site": "near the axis"},
    }
    vary = [{"field": "record.thickness_mm", "values": [3.0, 30.0]}]
    study = make_study(tmp_path, case, design="grid", samples=None, vary=vary)
    columns = evaluate_chunk(sweep_job(study), 0)
    assert columns["status"].tolist() == ["ok", NO_CLOSURE]
    assert np.isfinite(columns["worst_displacement_mm.pin"][0])
    assert np.isnan(columns["worst_displacement_mm.pin"][1])
    assert not columns["within_tolerance.pin"][1]


def test_a_job_survives_the_way_to_a_worker(tmp_path):
    changes = casts_case(tmp_path)
    study = make_study(tmp_path, changes, samples=10, first_contact=True, vary=OFFSETS)
    job = sweep_job(study)
    there = pickle.loads(pickle.dumps(job))
    assert_same(evaluate_chunk(job, 0), evaluate_chunk(there, 0))
