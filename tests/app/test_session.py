"""A viewing session: numbers, history, and what survives a refused value."""

import numpy as np
import pytest

from kinematics.assessment import assess_placed
from kinematics.base.errors import InputError
from kinematics.case.read import read_case, set_field
from kinematics.closure.close import close
from kinematics.closure.place import place
from kinematics.decision.decide import decide
from kinematics.uncertainty import propagate as uncertainty
from tests.makers.cases import landmarks_only, open_pair
from viewer.app.session import Session, Superseded, complete, quick_curve, spread_of
from viewer.app.texts import spread_state

CHANGES = [
    ("left_anterior_mm", -2.5),
    ("right_superior_mm", 4.0),
    ("departure_mm", -1.25),
    ("tolerance_mm", 0.12),
    ("departure_mm", -2.75),
    ("stop", "equal_angle"),
    ("stop", "contact"),
]


def assess(case):
    """A fresh assessment, without the spread (which no slider waits for)."""
    return assess_placed(place(case), uncertainty=False)


def assert_same_numbers(reading, found):
    assert set(reading.stops) == set(found.stops)
    for stop, result in reading.stops.items():
        assert np.allclose(result.error_mm, found.stops[stop].error_mm, atol=1e-9)
        assert np.allclose(result.high_mm, found.stops[stop].high_mm, atol=1e-9)
    assert reading.departure_mm == pytest.approx(found.departure_mm, abs=1e-9)
    assert reading.stop == found.closures.stop


def test_after_any_changes_the_numbers_are_those_of_a_fresh_assessment(demo_case_path):
    session = Session(read_case(demo_case_path))
    for control, value in CHANGES:
        session.change(control, value)
    assert_same_numbers(session.reading, assess(session.case))


def test_of_real_scans_the_numbers_are_those_of_a_fresh_assessment(scans):
    session = Session(open_pair(scans))
    session.change("left_superior_mm", 3.0)
    session.change("departure_mm", -5.0)
    assert_same_numbers(session.reading, assess(session.case))


def test_completing_a_reading_gives_the_assessment_of_the_case(demo_case_path):
    session = Session(read_case(demo_case_path))
    session.change("right_anterior_mm", -4.0)
    mine, whole = complete(session.reading), assess(session.case)
    assert mine.mouth.propped_deg == pytest.approx(whole.mouth.propped_deg)
    assert set(mine.curve.worst_error_mm) == set(whole.curve.worst_error_mm)
    for stop, error in whole.curve.worst_error_mm.items():
        assert np.allclose(mine.curve.worst_error_mm[stop], error, atol=1e-9, equal_nan=True)


def test_the_quick_curve_and_the_chances_give_the_whole_answer():
    session = Session(landmarks_only())
    whole = assess_placed(place(landmarks_only()))
    told = decide(session.reading, spread_of(session.reading))
    assert told.sentence == whole.decision.sentence
    mine, theirs = quick_curve(session.reading), assess(landmarks_only()).curve
    assert np.allclose(mine.worst_error_mm["pin"], theirs.worst_error_mm["pin"])


def test_a_long_computation_is_given_up_when_the_case_has_changed(demo_case_path):
    session = Session(read_case(demo_case_path))

    def changed_meanwhile():
        raise Superseded

    with pytest.raises(Superseded):
        complete(session.reading, changed_meanwhile)
    with pytest.raises(Superseded):
        spread_of(session.reading, changed_meanwhile)


def test_with_tooth_contact_the_spread_says_its_trials_and_is_given_up_between_them(
    demo_case_path, monkeypatch
):
    monkeypatch.setattr(uncertainty, "MAX_TRIALS_CONTACT", 250)
    monkeypatch.setattr(uncertainty, "MOST_DRAWS_CONTACT", 250)
    session = Session(read_case(demo_case_path))
    session.change("stop", "contact")
    shares = []
    found = spread_of(session.reading, tell=shares.append)
    told = decide(session.reading, found)
    said = spread_state(found, told)
    assert said[:3] == list(told.how_sure)
    assert said[3].startswith("From 250 trials")
    assert len(shares) >= 6
    assert shares == sorted(shares)
    calls = []

    def changed_in_the_middle():
        calls.append(1)
        if len(calls) == 3:
            raise Superseded

    with pytest.raises(Superseded):
        spread_of(session.reading, changed_in_the_middle)
    assert len(calls) == 3


def test_undo_and_redo_walk_through_the_cases():
    session = Session(landmarks_only())
    start = session.case
    session.change("left_anterior_mm", 1.0)
    first = session.case
    session.change("tolerance_mm", 0.2)
    assert session.undo()
    assert session.case == first
    assert session.undo()
    assert session.case == start
    assert not session.undo()
    assert session.redo()
    assert session.case == first
    session.change("tolerance_mm", 0.5)
    assert not session.steps()["redo"]


def test_one_drag_is_one_step_to_undo():
    session = Session(landmarks_only())
    for value in (1.0, 2.0, 3.0):
        session.change("left_anterior_mm", value, gesture="drag 1")
    session.change("left_anterior_mm", 4.0, gesture="drag 2")
    session.undo()
    assert session.case.arbitrary_axis.left_anterior_mm == 3.0
    session.undo()
    assert session.case.arbitrary_axis.left_anterior_mm == 5.0


def test_undo_between_two_parts_of_a_drag_starts_a_new_step():
    session = Session(landmarks_only())
    session.change("left_anterior_mm", 1.0, gesture="g")
    session.undo()
    session.change("left_anterior_mm", 2.0, gesture="g")
    session.undo()
    assert session.case.arbitrary_axis.left_anterior_mm == 5.0


def test_reset_returns_to_the_case_as_opened_and_can_be_undone():
    session = Session(landmarks_only())
    session.change("left_anterior_mm", 1.0)
    session.change("stop", "equal_angle")
    assert session.reset()
    assert session.case == session.original
    assert not session.reset()
    session.undo()
    assert session.case.decision.stop == "equal_angle"


@pytest.mark.parametrize(
    ("control", "value"),
    [("left_anterior_mm", 60), ("tolerance_mm", "x"), ("departure_mm", 1e9), ("stop", "none")],
)
def test_a_refused_value_leaves_the_last_good_state(control, value):
    session = Session(landmarks_only())
    session.change("right_anterior_mm", 2.0)
    before, reading, rev = session.case, session.reading, session.rev
    with pytest.raises(InputError, match=control):
        session.change(control, value)
    assert session.case is before
    assert session.reading is reading
    assert session.rev == rev
    assert session.steps()["undo"]


def test_a_record_inside_the_tooth_contact_is_refused_and_the_last_state_stays(scans):
    case = open_pair(scans, target={"vdo_change_mm": -3.0, "site": "incisors"})
    session = Session(case)
    before = session.reading
    with pytest.raises(InputError, match="departure_mm"):
        session.change("departure_mm", -200)
    assert session.reading is before


def test_a_changed_case_is_placed_as_if_read_anew_and_keeps_what_it_prepared(demo_case_path):
    session = Session(read_case(demo_case_path))
    placed, before = session.reading.placed, session.reading
    for field, value in [
        ("arbitrary_axis.left_superior_mm", 17.0),
        ("record.thickness_mm", 4.5),
        ("decision.tolerance_mm", 0.9),
    ]:
        case = set_field(placed.case, field, value)
        again, anew = placed.with_case(case), place(case)
        a, b = close(again, before), close(anew)
        for stop, result in b.stops.items():
            assert np.array_equal(a.stops[stop].error_mm, result.error_mm)
        assert again.findings == anew.findings  # 17 mm and 0.9 mm are unusual, and it says so
        assert again.lower is placed.lower
        placed, before = again, a
    where = {f.where.split(".")[0] for f in placed.findings}
    assert where >= {"arbitrary_axis", "decision"}


def test_an_axis_driven_into_the_casts_is_refused(demo_case_path):
    session = Session(read_case(demo_case_path))
    for name in ("left", "right"):
        session.change(f"{name}_anterior_mm", 45.0)
    good = session.reading
    with pytest.raises(InputError, match=r"left_superior_mm.*mm from the .* cast"):
        session.change("left_superior_mm", -40.0)
    assert session.reading is good
