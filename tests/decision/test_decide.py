"""One rule: the chance decides, of a measured axis and of a scatter, with each way out."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.assessment import assess, assess_placed
from kinematics.base.words import rounded_room_mm
from kinematics.closure.place import place
from kinematics.decision.decide import limit_of, outcome_of
from kinematics.result import result_dict
from kinematics.uncertainty.chance import Chance, Chances
from tests.makers.cases import landmarks_only
from viewer.app.excursions import excursions_state
from viewer.app.session import Session, spread_of
from viewer.app.texts import answer_state, numbers_state, spread_state
from viewer.figures.draw import figures_for
from viewer.report.page import facts, render_report
from viewer.report.plan import OUTCOME_MARK, plan_table, ways_out_table

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


def chance(value, low=None, high=None):
    low, high = value if low is None else low, value if high is None else high
    one = Chance(value, low, high)
    return Chances(one, None, one)


BELOW, ABOVE, OPEN = chance(0.01), chance(0.2), chance(0.05, 0.04, 0.06)


@pytest.mark.parametrize(
    ("arbitrary", "located", "outcome"),
    [
        (BELOW, BELOW, "not_needed"),
        (BELOW, ABOVE, "not_needed"),
        (ABOVE, BELOW, "worth_it"),
        (ABOVE, ABOVE, "helps_not_enough"),
        (OPEN, BELOW, "cannot_tell"),
        (ABOVE, OPEN, "cannot_tell"),
        (BELOW, OPEN, "not_needed"),
        (chance(0.05), ABOVE, "not_needed"),  # the limit itself is kept
    ],
)
def test_the_rule(arbitrary, located, outcome):
    assert outcome_of(arbitrary, located, 0.05) == outcome


def test_what_limits_is_the_larger_of_what_is_beyond():
    one, other = Chance(0.2, 0.2, 0.2), Chance(0.3, 0.3, 0.3)
    assert limit_of(Chances(one, other, other), 0.05) == "excursions"
    assert limit_of(Chances(other, one, other), 0.05) == "closure"
    assert limit_of(Chances(one, None, one), 0.05) == "closure"
    assert limit_of(BELOW, 0.05) is None


def test_the_chance_decides_where_no_axis_was_measured(strict):
    answer, spread = strict.decision, strict.uncertainty
    assert float(strict.stops["equal_angle"].magnitude_mm.max()) < 1e-9  # the contradiction
    planned = spread.way("as planned")
    assert not answer.measured
    assert answer.outcome == "worth_it"
    assert planned.chances.closure.value > 0.5
    assert answer.worst.displacement_mm == planned.worst_high_mm
    assert answer.largest_closure_mm == spread.largest_closure_mm
    assert "not needed" not in answer.sentence
    assert f"tolerance of 100 µm is {100 * planned.chances.either.value:.0f} %" in answer.sentence
    assert f"up to {1e3 * planned.worst_high_mm:.0f} µm in 95 %" in answer.sentence


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
    assert assess(case).decision.ways_out[0].chances.closure.value == pytest.approx(share, abs=0.01)


def test_the_ways_out_are_counted_by_chance(strict):
    spread = strict.uncertainty
    ways = {way.name: way for way in strict.decision.ways_out}
    assert list(ways) == ["as planned", "thinner record", "record at the planned OVD",
                          "located axis"]  # fmt: skip
    for counted in spread.ways:
        way = ways[counted.name]
        assert way.chances == counted.chances
        assert way.displacement_mm == pytest.approx(counted.worst_high_mm)
        assert way.holds == (way.chances.either.value <= spread.risk_limit)
    thinner = ways["thinner record"]
    kept = rounded_room_mm(spread.largest_closure_mm)
    assert thinner.closure_mm == pytest.approx(kept)
    assert kept <= spread.largest_closure_mm < kept + 0.1
    assert 0.5 * spread.risk_limit < thinner.chances.closure.value <= spread.risk_limit
    assert thinner.holds
    assert 0.08 < thinner.displacement_mm <= 0.1  # 95 % stay within the tolerance, just


@pytest.mark.parametrize(
    ("study", "words"),
    [
        ("schallhorn_1957", "of such axes (as in Schallhorn 1957), "),
        ("lauritzen_bodner_1961_redefined", "(as in Lauritzen Bodner 1961 redefined), "),
    ],
)
def test_a_study_is_named_shortly_in_the_answer(study, words):
    table = {"arbitrary_axis": "study", "study": study}
    assert words in assess(unknown(uncertainty=table)).decision.sentence


def test_a_wide_tolerance_needs_no_locating_by_chance():
    answer = assess(unknown(decision={"tolerance_mm": 2.0})).decision
    assert answer.outcome == "not_needed"
    assert "within your risk limit of 5 %: locating the true axis is not needed" in answer.sentence
    assert [way.name for way in answer.ways_out][1] != "thinner record"


def test_ways_out_that_fail_their_own_row_are_not_offered():
    """A true axis that is poorly located, and an OVD that is hardly reached."""
    table = {"true_axis_sd_mm": 4.0, "target_sd_mm": 3.0, "record_thickness_sd_mm": 0.0}
    answer = assess(landmarks_only(uncertainty=table, decision={"tolerance_mm": 0.1})).decision
    assert answer.outcome == "helps_not_enough"
    assert not any(way.holds for way in answer.ways_out)
    assert "take the record" not in answer.sentence
    assert "locate and transfer" not in answer.sentence
    assert "no way out examined here is" in answer.sentence


def test_the_measure_high_counts_what_is_along_the_occlusal_normal():
    """One landmark whose normal is vertical: an axis too far in front moves it vertically."""
    sure = {"true_axis_sd_mm": 0.0, "record_thickness_sd_mm": 0.0}
    size = {}
    for measure in ("displacement", "high"):
        answer = assess(landmarks_only(uncertainty=sure, decision={"measure": measure})).decision
        size[measure] = answer.worst
        chances = answer.chance["arbitrary"].closure
        kept = (
            answer.worst.displacement_mm if measure == "displacement" else abs(answer.worst.high_mm)
        ) <= 0.3
        assert chances.value == (0.0 if kept else 1.0)
    assert abs(size["high"].high_mm) < size["high"].displacement_mm
    between = 0.5 * (abs(size["high"].high_mm) + size["high"].displacement_mm)
    for measure, outcome in (("displacement", "worth_it"), ("high", "not_needed")):
        decision = {"measure": measure, "tolerance_mm": between}
        assert (
            assess(landmarks_only(uncertainty=sure, decision=decision)).decision.outcome == outcome
        )


def test_the_risk_limit_is_the_cases():
    plan = {"uncertainty": SCATTER, "arbitrary_axis": NOWHERE}
    answers = [
        assess(landmarks_only(decision={"tolerance_mm": 0.3, "risk_limit": limit}, **plan)).decision
        for limit in (0.001, 0.05, 0.9)
    ]
    assert [a.risk_limit for a in answers] == [0.001, 0.05, 0.9]
    largest = [a.largest_closure_mm for a in answers]
    assert largest == sorted(largest)
    assert answers[-1].outcome == "not_needed"
    assert answers[0].outcome != "not_needed"


@pytest.mark.parametrize(
    "changes",
    [
        {"uncertainty": {"arbitrary_axis": "measured"}},  # measured, and found on the true axis
        {"arbitrary_axis": {**NOWHERE, "left_anterior_mm": 0.1}},  # an offset was given
        {"uncertainty": None},
    ],
)
def test_one_axis_is_told_where_one_was_given(changes):
    changes = {"arbitrary_axis": NOWHERE, "uncertainty": SCATTER, **changes}
    case = landmarks_only(**{k: v for k, v in changes.items() if v is not None})
    answer = assess(case).decision
    assert answer.measured
    given_axis = (
        "Of arbitrary axes scattered as stated ("
        if "arbitrary_axis" in changes and (changes["arbitrary_axis"] is not NOWHERE)
        else "On this arbitrary axis"
    )
    assert answer.sentence.startswith(given_axis)


def test_a_measured_axis_is_told_with_its_own_displacement_and_its_chance():
    found = assess(landmarks_only(uncertainty={"true_axis_sd_mm": 0.5, "seed": 1},
                                  decision={"tolerance_mm": 0.1}))  # fmt: skip
    ways = {way.name: way for way in found.decision.ways_out}
    result = found.stops["pin"]
    assert ways["as planned"].displacement_mm == pytest.approx(result.worst[1], abs=1e-9)
    assert abs(ways["as planned"].high_mm) == pytest.approx(np.abs(result.high_mm).max(), abs=1e-9)
    assert ways["located axis"].displacement_mm < 1e-9
    assert 0.0 < ways["thinner record"].chances.closure.value <= 0.05
    bare = assess(landmarks_only(decision={"tolerance_mm": 0.1})).decision
    assert 0.0 < bare.ways_out[0].chances.closure.value < 1.0  # every case has a chance


def test_without_the_trials_there_is_no_answer_yet():
    found = assess_placed(place(unknown()), uncertainty=False)
    assert found.decision is None
    assert found.risk is None


def test_report_and_result_tell_the_chance_and_no_error_of_one_axis(strict):
    assert figures_for(strict) == ()
    told = dict(facts(strict))
    assert any("95 % stay within" in name for name in told)
    head = ways_out_table(strict).head
    assert "chance at most 5 %" in head
    assert "chance beyond tolerance" in head
    rows = dict(plan_table(strict).rows)
    assert rows["arbitrary axis"].startswith("not measured on this patient: normal scatter")
    page = render_report(strict, svgs={}, plates={})
    assert strict.decision.sentence.replace("'", "&#39;") in page
    assert OUTCOME_MARK["worth_it"] in page
    assert OUTCOME_MARK["not_needed"] not in page
    result = result_dict(strict)["decision"]
    assert not result["arbitrary_axis_measured"]
    assert json.dumps(result["ways_out"][0]["chance"])


def test_the_viewer_shows_the_chance_and_an_axis_only_once_it_is_moved():
    session = Session(unknown(decision={"tolerance_mm": 0.1}))
    reading = session.reading
    assert numbers_state(reading)["not_measured"]
    found = assess_placed(place(session.case))
    state = answer_state(found.decision)
    assert state["sentence"] == found.decision.sentence
    assert not state["holds"]
    assert state["chance"] == found.decision.ways_out[0].chances.either.words()
    assert spread_state(found.uncertainty, found.decision)[0] == found.decision.how_sure[0]
    assert answer_state(None)["sentence"] == ""
    assert "nothing to compare" in excursions_state(reading, 1)["sentence"]
    session.change("left_anterior_mm", 4.0)
    assert not numbers_state(session.reading)["not_measured"]


def test_the_viewers_first_chance_comes_after_ten_thousand_trials():
    session = Session(unknown(decision={"tolerance_mm": 0.1}))
    first = spread_of(session.reading, first=True)
    assert first.trials == 10_000
    full = spread_of(session.reading)
    chances = [found.either("as planned").value for found in (first, full)]
    assert chances[0] == pytest.approx(chances[1], abs=0.02)
    assert spread_of(replace(session.reading, stop="contact"), first=True) is None


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
