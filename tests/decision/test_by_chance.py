"""The verdict where the arbitrary axis was not measured, and the chance of each way out."""

import json
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.assessment import assess, assess_placed
from kinematics.closure.place import place
from kinematics.decision.words import NOT_MEASURED, chance_sentence
from kinematics.result import result_dict
from tests.makers.cases import landmarks_only
from viewer.app.excursions import excursions_state
from viewer.app.session import Session, spread_of
from viewer.app.texts import answer_state, numbers_state, spread_state
from viewer.figures.draw import figures_for
from viewer.report.page import facts, render_report
from viewer.report.plan import plan_table, verdict_mark, ways_out_table

NOWHERE = dict.fromkeys(
    ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm"), 0.0
)
SCATTER = {"arbitrary_axis": "normal", "sd_anterior_mm": 5.0, "sd_superior_mm": 5.0,
           "true_axis_sd_mm": 0.0, "record_thickness_sd_mm": 0.0, "seed": 3}  # fmt: skip


def unknown(**changes):
    more = {"arbitrary_axis": NOWHERE, "uncertainty": SCATTER}
    return landmarks_only(**{**more, **changes})


@pytest.fixture(scope="module")
def strict():
    return assess(unknown(decision={"tolerance_mm": 0.1, "stop": "equal_angle"}))


def test_the_chance_decides_where_no_axis_was_measured(strict):
    verdict, spread = strict.verdict, strict.uncertainty
    assert float(strict.stops["equal_angle"].magnitude_mm.max()) < 1e-9  # the contradiction
    planned = spread.way("as planned")
    assert verdict.basis == "chance"
    assert not verdict.within
    assert planned.beyond_any > 0.5
    assert verdict.worst_error_mm == planned.worst_high_mm
    assert verdict.break_even_departure_mm == spread.largest_departure_mm
    assert "locating the true axis is not needed" not in verdict.sentence
    assert f"{100 * planned.beyond_any:.0f} % beyond your tolerance of 100 µm" in verdict.sentence
    assert f"{1e3 * planned.worst_high_mm:.0f} µm" in verdict.sentence


def test_the_chance_is_that_of_axes_drawn_and_turned_by_another_library():
    """Oracle: axes drawn here, one landmark turned about each by scipy's rotations."""
    point, theta = np.array([90.0, 0.0, 0.0]), math.radians(2.0)
    case = unknown(
        landmarks=[{"name": "incisal point", "tooth": 31, "point_mm": point.tolist()}],
        pin={"tip_mm": [130.0, 0.0, 0.0]},
        record={"opening_deg": 2.0},
        decision={"tolerance_mm": 0.1, "stop": "equal_angle"},
    )
    ends = np.random.default_rng(0).normal(0.0, 5.0, (100_000, 2, 3)) * [1.0, 0.0, 1.0]
    ends += [[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]]
    along = ends[:, 0] - ends[:, 1]
    along /= np.linalg.norm(along, axis=1)[:, None]
    record = Rotation.from_rotvec([0.0, theta, 0.0]).apply(point)
    middle = ends.mean(axis=1)
    closed = Rotation.from_rotvec(-theta * along).apply(record - middle) + middle
    share = np.mean(np.linalg.norm(closed - point, axis=1) > 0.1)
    assert assess(case).verdict.ways_out[0].chance == pytest.approx(share, abs=0.01)


def test_the_ways_out_are_counted_by_chance(strict):
    spread = strict.uncertainty
    ways = {way.name: way for way in strict.verdict.ways_out}
    assert list(ways) == ["as planned", "thinner record",
                              "record at the target vertical dimension", "true axis"]  # fmt: skip
    for counted in spread.ways:
        way = ways[counted.name]
        assert way.chance == counted.beyond_any
        assert way.error_mm == counted.worst_high_mm
        assert way.within == (way.chance <= spread.risk_limit)
    thinner = ways["thinner record"]
    assert thinner.departure_mm == pytest.approx(-spread.largest_departure_mm)
    assert 0.5 * spread.risk_limit < thinner.chance <= spread.risk_limit
    assert thinner.within
    assert 0.08 < thinner.error_mm <= 0.1  # 95 % stay within the tolerance, just


@pytest.mark.parametrize(
    ("study", "words"),
    [
        ("schallhorn_1957", "of such axes (as in Schallhorn 1957), "),
        ("lauritzen_bodner_1961_redefined", "(as in Lauritzen Bodner 1961 redefined), "),
    ],
)
def test_a_study_is_named_shortly_in_the_answer(study, words):
    table = {"arbitrary_axis": "study", "study": study}
    assert words in assess(unknown(uncertainty=table)).verdict.sentence


def test_a_wide_tolerance_needs_no_locating_by_chance():
    verdict = assess(unknown(decision={"tolerance_mm": 2.0})).verdict
    assert verdict.within
    assert "at or under 5 %: locating the true axis is not needed for it" in verdict.sentence
    assert [way.name for way in verdict.ways_out][1] != "thinner record"


@pytest.mark.parametrize(
    "changes",
    [
        {"uncertainty": {"arbitrary_axis": "measured"}},  # measured, and found on the true axis
        {"arbitrary_axis": {**NOWHERE, "left_anterior_mm": 0.1}},  # an offset was given
        {"uncertainty": None},
    ],
)
def test_one_error_decides_where_an_axis_was_given(changes):
    changes = {"arbitrary_axis": NOWHERE, "uncertainty": SCATTER, **changes}
    case = landmarks_only(**{k: v for k, v in changes.items() if v is not None})
    verdict = assess(case).verdict
    assert verdict.basis == "error"
    assert verdict.sentence.startswith("On this arbitrary axis")


def test_measured_ways_out_carry_their_chances_as_well():
    found = assess(landmarks_only(uncertainty={"true_axis_sd_mm": 0.5, "seed": 1},
                                  decision={"tolerance_mm": 0.1}))  # fmt: skip
    chances = {r.name: r.chance for r in found.verdict.ways_out}
    spread = found.uncertainty
    assert found.verdict.basis == "error"
    assert chances["as planned"] == spread.way("as planned").beyond_any
    assert chances["true axis"] == spread.way("true axis").beyond_any
    assert 0.3 < chances["thinner record"] < 0.7  # it stands on the tolerance itself
    bare = assess(landmarks_only(decision={"tolerance_mm": 0.1})).verdict
    assert {way.chance for way in bare.ways_out} == {None}


def test_without_the_trials_it_says_that_the_chance_decides():
    found = assess_placed(place(unknown()), uncertainty=False)
    assert found.verdict.sentence == NOT_MEASURED
    assert not found.verdict.within


def test_report_and_result_tell_the_chance_and_no_error_of_one_axis(strict):
    assert figures_for(strict) == ()
    assert verdict_mark(strict.verdict, 0.05) == "✗ chance above 5 %"
    told = dict(facts(strict))
    assert any(name.startswith("95 % stay within") for name in told)
    head = ways_out_table(strict).head
    assert "chance at most 5 %" in head
    assert "chance beyond tolerance" in head
    rows = dict(plan_table(strict).rows)
    assert rows["arbitrary axis"].startswith("not measured on this patient: normal scatter")
    page = render_report(strict, svgs={}, plates={})
    assert strict.verdict.sentence.replace("'", "&#39;") in page
    assert "within your tolerance</span>" not in page
    result = result_dict(strict)["verdict"]
    assert result["basis"] == "chance"
    assert json.dumps(result["remedies"][0]["chance_beyond"])


def test_the_viewer_shows_the_chance_and_an_axis_only_once_it_is_moved():
    session = Session(unknown(decision={"tolerance_mm": 0.1}))
    reading = session.reading
    assert numbers_state(reading)["not_measured"]
    found = assess_placed(place(session.case))
    state = spread_state(found.uncertainty, found.verdict)
    assert state["chance"]["sentence"] == chance_sentence(found.verdict.stop, found.uncertainty)
    assert not state["chance"]["within"]
    assert answer_state(reading, found.verdict)["ways_out"] == []
    assert "nothing to compare" in excursions_state(reading, 1)["sentence"]
    session.change("left_anterior_mm", 4.0)
    assert not numbers_state(session.reading)["not_measured"]


def test_the_viewers_first_chance_comes_after_ten_thousand_trials():
    session = Session(unknown(decision={"tolerance_mm": 0.1}))
    first = spread_of(session.reading, first=True)
    assert first.trials == 10_000
    full = spread_of(session.reading)
    chances = [found.way("as planned").beyond_any for found in (first, full)]
    assert chances[0] == pytest.approx(chances[1], abs=0.02)
    session.change("stop", "contact")
    assert spread_of(session.reading, first=True) is None


def test_the_plan_is_told_as_the_case_states_it():
    case = landmarks_only(record={"thickness_mm": 4.0, "site": "incisors"},
                          target={"vdo_change_mm": -1.5, "site": "pin"})  # fmt: skip
    rows = dict(plan_table(assess(case)).rows)
    assert rows["record"] == "4 mm thick at the incisors"
    assert rows["target"] == "vertical dimension lowered by 1.5 mm at the incisal pin"
    assert rows["arbitrary axis"] == (
        "from the true one, mm: left +5.0 anterior, 0.0 superior; right +5.0 anterior, 0.0 superior"
    )
    other = landmarks_only(record={"as_scanned": True}, target={"opening_deg": 1.0})
    rows = dict(plan_table(assess(other)).rows)
    assert rows["record"] == "the pose as scanned"
    assert rows["target"] == "1.00° open"
