"""Excursions in the viewer: the rows are the errors, the motions the patient's, the tier the last.

The oracle is the assessment's own comparison, with another number of steps.
"""

import asyncio
import json
from concurrent.futures import ThreadPoolExecutor
from functools import partial

import numpy as np
import pytest

from kinematics.assessment import assess_placed
from kinematics.base.errors import InputError
from kinematics.case.read import read_case
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.excursions.compare import compare_excursions, excursion_errors
from kinematics.excursions.details import look_closer
from kinematics.excursions.results import EXCURSIONS
from tests.makers.cases import landmarks_only
from viewer.app import desk as desk_module
from viewer.app import excursions as on_page
from viewer.app.desk import Desk
from viewer.app.excursions import (
    BLANK,
    NO_TABLE,
    excursions_state,
    reading_excursions,
    teeth_state,
)
from viewer.app.page import template
from viewer.app.session import Session, Superseded
from viewer.report.excursions import contact_sentence
from viewer.report.guidance import AVERAGE
from viewer.report.teeth import contact_tables


@pytest.fixture(scope="module")
def session(demo_case_path):
    opened = Session(read_case(demo_case_path))
    opened.change("left_superior_mm", 6.0)
    return opened


@pytest.fixture(scope="module")
def state(session):
    return excursions_state(session.reading, 7)


@pytest.fixture(scope="module")
def whole(session):
    return excursion_errors(geometry_of(place(session.case)), steps=5)


def number(text):
    return float(text.replace("−", "-"))


def matrices(state, kind, whose="moves"):
    return [np.array(m).reshape(4, 4).T for m in state[whose][kind]]


def test_the_rows_hold_the_largest_error_at_the_end_of_each_excursion(state, whole):
    assert [row["kind"] for row in state["rows"]] == list(EXCURSIONS)
    for row in state["rows"]:
        error = whole.kinds[row["kind"]]
        end = 1e3 * error.error_mm[-1]
        j = int(np.linalg.norm(end, axis=1).argmax())
        assert row["at"] == whole.names[j]
        assert [number(row[k]) for k in ("ap", "tr", "ve")] == pytest.approx(end[j], abs=0.51)
        assert number(row["size"]) == pytest.approx(np.linalg.norm(end[j]), abs=0.51)
        assert number(row["high"]) == pytest.approx(1e3 * error.high_mm[-1, j], abs=0.51)
        assert row["end"] == "yes"


def test_the_sentence_names_the_worst_excursion_and_landmark_in_micrometres(state, whole):
    kind, name, size = whole.worst()
    assert f"{1e3 * size:.0f} µm" in state["sentence"]
    assert name in state["sentence"]
    assert kind.replace("_", " ") in state["sentence"]


def test_the_motions_carry_the_landmarks_along_the_patient_s_way(session, state):
    e = reading_excursions(session.reading)
    for kind in EXCURSIONS:
        moved = [
            session.reading.landmarks.points_mm @ m[:3, :3].T + m[:3, 3]
            for m in matrices(state, kind)
        ]
        assert np.allclose(moved, e.kinds[kind].patient_mm, atol=1e-6)
        assert np.allclose(moved[0], session.reading.landmarks.points_mm, atol=1e-9)


def test_the_ghosts_carry_the_landmarks_along_the_articulator_s_way(session, state):
    e = reading_excursions(session.reading)
    for kind in EXCURSIONS:
        points = session.reading.landmarks.points_mm
        moved = [points @ m[:3, :3].T + m[:3, 3] for m in matrices(state, kind, "ghosts")]
        assert np.allclose(moved, e.kinds[kind].articulator_mm, atol=1e-6)
        assert not np.allclose(moved[-1], e.kinds[kind].patient_mm[-1], atol=1e-3)


@pytest.mark.parametrize("front", ["teeth", "first"])
def test_another_front_gives_the_assessment_s_excursions_with_that_front(demo_case_path, front):
    session = Session(read_case(demo_case_path))
    session.change("front", front)
    assert session.case.articulator.front == front
    mine = reading_excursions(session.reading)
    whole = excursion_errors(geometry_of(place(session.case)))
    assert mine.front == whole.front == front
    assert set(mine.kinds) == set(whole.kinds)
    for kind, error in whole.kinds.items():
        assert np.allclose(mine.kinds[kind].error_mm, error.error_mm, atol=1e-9)
    if front == "teeth":  # the demo's teeth stand off the table from the start
        on_pin = reading_excursions(Session(read_case(demo_case_path)).reading)
        ends = [e.kinds["protrusion"].patient_mm[-1] for e in (mine, on_pin)]
        assert not np.allclose(*ends, atol=0.1)
    session.undo()
    assert session.case.articulator.front is None


def test_a_front_of_teeth_is_refused_without_casts_and_an_unknown_one_always(session):
    bare = Session(landmarks_only())
    with pytest.raises(InputError, match=r"front.*casts"):
        bare.change("front", "teeth")
    with pytest.raises(InputError, match=r"front.*one of pin, teeth, first"):
        session.change("front", "wheel")


def test_the_teeth_along_the_way_are_those_of_the_assessment(session, state):
    whole = assess_placed(place(session.case), uncertainty=False)
    oracle = look_closer(whole.closures, reading_excursions(session.reading))
    table = contact_tables(oracle)[0]
    assert state["teeth"]["rows"] == [list(row) for row in table.rows]
    assert [h["whole"] for h in state["teeth"]["head"]] == list(table.head)
    for head in state["teeth"]["head"]:  # short, and every word of them is one of the report's
        assert len(head["text"]) <= len("articulator")
        assert all(w.strip(",") in head["whole"] for w in f"{head['text']} {head['unit']}".split())
    assert state["teeth"]["rows"]
    sides = {row[3] for row in state["teeth"]["rows"]}
    assert sides <= {"working", "non-working", "protrusive"}


def test_the_page_names_the_teeth_of_the_report_and_the_steps_do_not_choose_them(
    demo_case_path, demo_assessment
):
    """33 comes within 17 to 35 µm in the mouth and 37 to 56 on the articulator, by the steps."""
    whole = demo_assessment
    said = contact_sentence(whole.excursions)
    reading = Session(read_case(demo_case_path)).reading
    assert teeth_state(reading, reading_excursions(reading))["sentences"][0] == said
    for steps in (8, 40):
        assert contact_sentence(compare_excursions(whole.closures, steps=steps)) == said


def test_before_the_teeth_the_rest_is_there_and_without_casts_it_says_so(session):
    early = []
    late = excursions_state(session.reading, 2, first=early.append)
    assert early[0]["rows"] == late["rows"]
    assert early[0]["teeth"]["sentences"] == [on_page.LOOKING]
    bare = excursions_state(Session(landmarks_only()).reading, 1)
    assert bare["teeth"]["sentences"] == [on_page.NO_CASTS]


def test_the_motions_are_rigid_and_a_lateral_one_leads_to_its_own_side(state):
    for kind in EXCURSIONS:
        for m in matrices(state, kind):
            assert np.allclose(m[:3, :3] @ m[:3, :3].T, np.eye(3), atol=1e-9)
            assert np.linalg.det(m[:3, :3]) == pytest.approx(1.0)
    incisors = np.array([85.0, 0.0, -35.0, 1.0])
    assert (matrices(state, "left_lateral")[-1] @ incisors)[1] > 1.0
    assert (matrices(state, "right_lateral")[-1] @ incisors)[1] < -1.0
    assert (matrices(state, "protrusion")[-1] @ incisors)[0] > incisors[0] + 1.0


def test_a_case_with_its_own_settings_says_that_they_are_the_case_s(state, session):
    source = {row["what"]: row["from"] for row in state["settings"]}
    assert session.case.articulator.bennett_left_deg is not None
    assert source["Bennett angle, °"] == "the case"
    assert NO_TABLE not in state["notes"]


def test_a_case_without_settings_says_that_they_are_averages():
    state = excursions_state(Session(landmarks_only()).reading, 1)
    assert NO_TABLE in state["notes"]
    source = {row["what"]: row["from"] for row in state["settings"]}
    assert source["sagittal condylar inclination, °"] == AVERAGE
    assert "true-axis points" in source["distance of the condylar elements, mm"]


def test_a_setting_given_on_one_side_only_is_marked_on_the_other():
    case = landmarks_only(articulator={"bennett_left_deg": 10.0})
    state = excursions_state(Session(case).reading, 1)
    source = {row["what"]: row["from"] for row in state["settings"]}
    assert source["Bennett angle, °"] == f"left the case, right {AVERAGE}"
    assert NO_TABLE not in state["notes"]


def test_true_axis_transferred_gives_no_error():
    axis = dict.fromkeys(
        (f"{side}_{way}_mm" for side in ("left", "right") for way in ("anterior", "superior")), 0.0
    )
    state = excursions_state(Session(landmarks_only(arbitrary_axis=axis)).reading, 1)
    assert [row["size"] for row in state["rows"]] == ["0", "0", "0"]
    assert not any(row["beyond"] for row in state["rows"])


def test_an_excursion_that_stops_early_says_so_and_keeps_the_poses_it_reached(monkeypatch):
    # A curved guide that ends before 15 mm (as in the articulator's tests).
    longer = partial(excursion_errors, travel_mm=15.0)
    monkeypatch.setattr(on_page, "excursion_errors", longer)
    guide = {"sagittal_inclination_{}_deg": -20.0, "guide_radius_{}_mm": 6.0}
    case = landmarks_only(
        articulator={k.format(s): v for k, v in guide.items() for s in ("left", "right")}
    )
    state = excursions_state(Session(case).reading, 1)
    right = next(row for row in state["rows"] if row["kind"] == "right_lateral")
    assert right["end"].startswith("no: patient")
    assert any("stops early" in note for note in state["notes"])
    assert 1 <= len(state["moves"]["right_lateral"]) <= 20


def test_settings_that_cannot_be_built_give_the_reason_instead_of_rows():
    case = landmarks_only(pin={"tip_mm": [-40.0, 0.0, -35.0]})
    state = excursions_state(Session(case).reading, 3)
    assert state["sentence"].startswith("The excursions cannot be computed.")
    assert (state["rows"], state["moves"], state["rev"]) == ([], {}, 3)


def test_they_are_given_up_once_the_case_has_changed(session):
    def changed_meanwhile():
        raise Superseded

    with pytest.raises(Superseded):
        excursions_state(session.reading, 1, changed_meanwhile)


def test_the_state_is_plain_json_and_the_page_inserts_no_markup(state):
    assert json.loads(json.dumps(state)) == state
    assert set(state) == set(BLANK)
    assert "v-html" not in template()


class PageState(dict):
    """Stands in for the server's shared state and keeps the order of what was set."""

    def __init__(self):
        super().__init__()
        self.order = []

    def __setitem__(self, name, value):
        self.order.append((name, value))
        super().__setitem__(name, value)

    def __getattr__(self, name):
        return self[name]

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None


class PageServer:
    def __init__(self):
        self.state = PageState()

    def trigger(self, name):
        return lambda act: act


def test_they_come_after_the_verdict_and_belong_to_the_changed_case(monkeypatch):
    monkeypatch.setattr(desk_module, "REST_S", 0.01)
    session, server = Session(landmarks_only()), PageServer()

    async def use():
        desk = Desk(session, server)
        assert server.state["excursions"] == BLANK
        assert server.state["rev"] != BLANK["rev"]
        desk.change("left_anterior_mm", 2.0)
        work = asyncio.ensure_future(desk.work())
        try:
            async with asyncio.timeout(120):
                while server.state["excursions"]["rev"] != session.rev or session.rev == 1:
                    await asyncio.sleep(0.02)
        finally:
            work.cancel()
            desk.close()

    with ThreadPoolExecutor(1) as pool:  # the browser tests keep a loop running in this thread
        pool.submit(lambda: asyncio.run(use())).result(150)
    names = [name for name, _ in server.state.order]
    at = names.index("excursions")
    assert {"numbers", "scene", "answer", "later"} <= set(names[:at])
    assert session.case.arbitrary_axis.left_anterior_mm == 2.0
    assert server.state["excursions"] == excursions_state(session.reading, session.rev)
