"""A case's own [uncertainty] table, from the file's words to the answer."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.case.read import case_from_dict
from kinematics.closure.close import close
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.uncertainty import risk
from kinematics.uncertainty.inputs import APART_FROM_GIVEN, inputs_from_case
from kinematics.uncertainty.populations import OFFSETS
from kinematics.uncertainty.propagate import propagate
from kinematics.uncertainty.risk import risk_of
from tests.makers.cases import landmarks_only
from tests.makers.small_study import CASE, casts_case

SPREAD = SimpleNamespace(worst_displacement_mm={"as planned": np.array([0.1, 0.2])})
"""Of a spread, what the ranking asks for: whether the error varies at all."""


def propagated(case, **options):
    return propagate(inputs_from_case(place(case)), **options)


def the_case(**changes):
    return case_from_dict(CASE | changes)


def test_a_case_is_propagated_from_its_own_table():
    case = the_case(
        uncertainty={"arbitrary_axis": "study", "study": "walker_1980", "seed": 5},
        decision={"tolerance_mm": 0.2, "stop": "pin"},
    )
    result = propagated(case, max_trials=20_000)
    assert result.seed == 5
    assert result.tolerance_mm == 0.2
    assert "walker_1980" in result.population
    assert "READ-2nd" in result.population
    assert result.way("as planned").departure_mm == pytest.approx(-3.0, abs=1e-9)
    assert result.way("record at the planned OVD").departure_mm == 0.0
    assert result.value_of_locating > 0.3
    assert json.loads(json.dumps(to_json(result)))["trials"] == result.trials


@pytest.mark.parametrize(
    ("table", "offset", "said"),
    [("normal", 1.0, True), ("normal", 0.0, False), ("measured", 1.0, False)],
)
def test_a_scatter_beside_an_offset_is_told_apart_from_it(table, offset, said):
    own = {"sd_anterior_mm": 3.0, "sd_superior_mm": 2.0} if table == "normal" else {}
    zero = dict.fromkeys(OFFSETS, 0.0)
    case = the_case(
        arbitrary_axis={**zero, OFFSETS[0]: offset},
        uncertainty={"arbitrary_axis": table, **own},
    )
    assert (APART_FROM_GIVEN in inputs_from_case(place(case)).assumptions) is said


def test_the_mean_of_a_measured_case_is_near_its_single_answer():
    case = the_case(uncertainty={"true_axis_sd_mm": 0.05, "record_thickness_sd_mm": 0.0})
    placed = place(case)
    result = propagate(inputs_from_case(placed), max_trials=20_000)
    geometry = geometry_of(placed)
    told = geometry.result("pin", geometry.arbitrary_axis)
    for i, name in enumerate(result.names):
        j = geometry.landmarks.names.index(name)
        assert result.quantities["magnitude"].mean[i] == pytest.approx(
            told.magnitude_mm[j], abs=5e-4
        )
        assert result.quantities["high"].mean[i] == pytest.approx(told.high_mm[j], abs=5e-4)


@pytest.mark.parametrize(
    ("table", "measured", "study"),
    [
        ({"arbitrary_axis": "measured"}, True, False),
        ({"arbitrary_axis": "normal", "sd_anterior_mm": 3.0, "sd_superior_mm": 3.0}, False, False),
        ({"arbitrary_axis": "study", "study": "walker_1980"}, False, True),
    ],
)
def test_the_assumptions_say_where_the_scatter_comes_from(table, measured, study):
    told = " ".join(
        inputs_from_case(place(the_case(uncertainty=table | {"true_axis_sd_mm": 0.7}))).assumptions
    )
    assert ("is this patient's, measured" in told) is measured
    assert ("The study's scatter" in told) is study
    assert "uncertain by 0.7 mm" in told
    assert "its recordings" not in told


def test_a_case_that_says_nothing_of_uncertainty_takes_defaults_and_says_so():
    given = inputs_from_case(place(the_case()))
    assert np.array_equal(given.true_axis_covariance_mm2, np.eye(4))
    assert (given.record_sd_mm, given.target_sd_mm, given.measured) == (0.1, 0.0, True)
    told = [a for a in given.assumptions if "The case does not say it" in a]
    assert len(told) == 3
    assert "1 mm" in told[0]
    assert "J Prosthet Dent 1979" in told[0]
    whole = {"true_axis_sd_mm": 0.7, "record_thickness_sd_mm": 0.1, "target_sd_mm": 0.2}
    stated = inputs_from_case(place(the_case(uncertainty=whole)))
    assert not any("does not say it" in a for a in stated.assumptions)


def test_an_unknown_study_is_refused_with_the_nearest():
    case = the_case(uncertainty={"arbitrary_axis": "study", "study": "walker80"})
    with pytest.raises(InputError, match="walker_1980"):
        inputs_from_case(place(case))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"arbitrary_axis": "normal", "sd_anterior_mm": 3.0, "sd_superior_mm": 2.0}, "normal"),
        ({"arbitrary_axis": "disc", "radius_mm": 5.0}, "disc"),
        ({"arbitrary_axis": "empirical", "file": "offsets.csv"}, "2 measured offsets"),
    ],
)
def test_a_population_of_the_user_s_own_is_drawn_from(tmp_path, table, words):
    lines = [",".join(OFFSETS), "3,0,3,0", "-3,1,-3,1"]
    (tmp_path / "offsets.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    case = case_from_dict(CASE | {"uncertainty": table}, folder=tmp_path)
    result = propagated(case, max_trials=20_000)
    assert words in result.population
    assert 0.01 < result.quantities["magnitude"].mean.min() < 0.5


def test_a_contact_case_holds_its_casts_and_says_what_is_compared(tmp_path):
    changes = casts_case(tmp_path) | {"uncertainty": {}, "decision": {"stop": "contact"}}
    given = inputs_from_case(place(case_from_dict(CASE | changes, folder=tmp_path)))
    assert given.placed.contacts.pair is not None
    assert not given.placed.case.target.first_contact
    assert any("own first contact" in a for a in given.assumptions)
    there = changes | {"target": {"first_contact": True}}
    given = inputs_from_case(place(case_from_dict(CASE | there, folder=tmp_path)))
    assert given.placed.case.target.first_contact
    assert any("own first contact" in a for a in given.assumptions)


@pytest.mark.parametrize(
    ("thickness_mm", "farthest_mm"), [(1.0, 6.0), (4.0, 8.0), (10.0, 20.0), (11.0, 20.0)]
)
def test_the_chart_reaches_twice_the_departure_but_6_to_20_mm(
    monkeypatch, thickness_mm, farthest_mm
):
    seen = []
    monkeypatch.setattr(risk, "propagate", lambda *_, **__: SPREAD)
    monkeypatch.setattr(risk, "ranked", lambda result: (result,))
    monkeypatch.setattr(risk, "sensitivity_of", lambda _, *, samples: samples)
    monkeypatch.setattr(
        risk, "decision_chart", lambda *given, directions, rng: seen.extend([*given, directions])
    )
    record = {"thickness_mm": thickness_mm, "site": "incisors"}
    got = risk_of(close(place(the_case(record=record, uncertainty={"true_axis_sd_mm": 0.5}))))
    _, departure_mm, axis_error_mm, directions = seen
    np.testing.assert_allclose(departure_mm, np.linspace(0.0, farthest_mm, 13), rtol=1e-12)
    np.testing.assert_array_equal(axis_error_mm, np.arange(13))
    assert (directions, got.ranking) == (200, (None,))


def test_a_contact_case_is_charted_and_ranked_by_fewer_draws(monkeypatch, tmp_path):
    seen = []
    monkeypatch.setattr(risk, "propagate", lambda *_, **__: SPREAD)
    monkeypatch.setattr(risk, "ranked", lambda result: (result,))
    monkeypatch.setattr(risk, "sensitivity_of", lambda _, *, samples: samples)
    monkeypatch.setattr(risk, "decision_chart", lambda *_, directions, rng: seen.append(directions))
    table = {"uncertainty": {"true_axis_sd_mm": 0.5}, "decision": {"stop": "contact"}}
    changes = casts_case(tmp_path) | table
    got = risk_of(close(place(case_from_dict(CASE | changes, folder=tmp_path))))
    assert (seen, got.ranking) == ([24], (128,))


def test_the_risk_of_a_case_is_told_with_its_progress():
    words, shares = [], []

    def tell(word, share):
        words.append(word)
        shares.append(share)

    got = risk_of(close(place(the_case(uncertainty={"true_axis_sd_mm": 0.5}))), progress=tell)
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < shares[-1] < 1.0
    assert words[-2:] == ["Drawing up the decision chart", "Ranking what matters"]
    told = json.loads(json.dumps(to_json(got)))
    assert told["trials"] == got.spread.trials
    assert told["decision_chart"]["worst_mm"] == got.chart.worst_mm.tolist()
    assert [r["rank"] for r in told["ranking"]] == [1, 2, 3, 4, 5]
    assert told["ranking"][0]["total"] == max(r.total for r in got.ranking)


def test_the_nominal_draw_is_the_assessment_s_own_closure(tmp_path):
    changes = casts_case(tmp_path) | {"uncertainty": {}, "target": {"first_contact": True}}
    placed = place(case_from_dict(CASE | changes, folder=tmp_path))
    geometry = geometry_of(placed)
    zero = np.zeros((1, 16))
    for stop in ("equal_angle", "pin"):
        told = geometry.result(stop, geometry.arbitrary_axis)
        got = inputs_from_case(placed, stop=stop).close(zero, "arbitrary")
        assert got.error_mm[0] == pytest.approx(told.error_mm, abs=1e-9)
    closing = placed.contacts.closing_deg(geometry.record_from_scanned, geometry.arbitrary_axis)
    got = inputs_from_case(placed, stop="contact").close(zero, "arbitrary")
    assert got.closing_deg[0] == pytest.approx(closing, abs=1e-9)
    true_closing = placed.contacts.closing_deg(geometry.record_from_scanned, geometry.true_axis)
    told = geometry.result("contact", geometry.arbitrary_axis, (true_closing, closing))
    assert got.error_mm[0] == pytest.approx(told.error_mm, abs=1e-8)


def test_a_record_that_was_scanned_in_has_no_thickness_to_doubt():
    case = landmarks_only(
        record={"as_scanned": True},
        target={"vdo_change_mm": -2.0, "site": "incisors"},
        uncertainty={"arbitrary_axis": "measured", "true_axis_sd_mm": 0.5},
    )
    found = assess(case)
    assert found.uncertainty is not None
    assert any("scanned in it" in line for line in found.uncertainty.assumptions)
