"""Excursions of an assessment: what guides the front, teeth that lock, traces, border, arcon."""

from __future__ import annotations

import json

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import Rotation

from kinematics.assessment import assess, assess_placed
from kinematics.base.axis import closing_motion
from kinematics.base.to_json import to_json
from kinematics.case.read import case_from_dict, read_case
from kinematics.casts.occlusal import automatic_landmarks
from kinematics.closure.place import place
from kinematics.contact.first_contact import first_contact, prepare
from kinematics.excursions.border import BORDER_OPENING_DEG
from kinematics.excursions.compare import compare_excursions, excursion_errors
from kinematics.excursions.settings import front_of
from kinematics.result import result_dict
from tests.articulator.test_path import CUSP
from tests.excursions.test_teeth import cone, joined, slab
from tests.makers.cases import closed_pair, landmarks_only, open_pair
from tests.oracles.border import sagittal_border
from viewer.report.excursions import excursion_paragraphs, excursion_sentences, excursion_table
from viewer.report.teeth import tooth_paragraphs

KINDS = ("protrusion", "left_lateral", "right_lateral")


def quick(case):
    return assess_placed(place(case), curve=False, uncertainty=False)


@pytest.fixture(scope="module")
def demo(demo_case_path):
    case = read_case(demo_case_path)
    table = case.articulator.model_copy(update={"front": "teeth"})
    return quick(case.model_copy(update={"articulator": table}))


FLAT = {"sagittal_inclination_left_deg": 0.0, "sagittal_inclination_right_deg": 0.0}
TEETH = {31: CUSP, 37: CUSP + np.array([-40.0, 25.0, 0.0]), 47: CUSP + np.array([-40.0, -25.0, 0])}


def small_case(folder, upper, **articulator):
    """Three lower cusps under upper blocks, teeth together as scanned."""
    folder.mkdir(parents=True, exist_ok=True)
    lower = joined("lower", [cone(p, t) for t, p in TEETH.items()])
    lower.write(folder / "lower.ply")
    joined("upper", upper).write(folder / "upper.ply")
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "small",
            "casts": {"upper": "upper.ply", "lower": "lower.ply"},
            "mounting": {"method": "matrix", "axis_orbital_from_upper_scan": np.eye(4).tolist()},
            "true_axis": {"width_mm": 110.0},
            "arbitrary_axis": {
                "left_anterior_mm": 4.0, "left_superior_mm": -2.0,
                "right_anterior_mm": 4.0, "right_superior_mm": -2.0,
            },
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"opening_deg": 0.2},
            "landmarks": [
                {"name": f"{t} cusp tip", "tooth": t, "point_mm": list(p)}
                for t, p in TEETH.items()
            ],
            "articulator": {**FLAT, **articulator},
        },
        folder=folder,
    )  # fmt: skip


def wide(gap_mm=0.01):
    return [slab(*np.add(p, [0.0, 0.0, gap_mm]), t, half=9.0) for t, p in
            zip((21, 27, 17), TEETH.values())]  # fmt: skip


def wall(ahead_mm=1.5):
    """A block in front of the lower incisor, reaching 2.5 mm below its tip."""
    return slab(*np.add(CUSP, [ahead_mm + 2.0, 0.0, -2.5]), 11, half=2.0)


def test_the_front_of_a_case_is_the_pin_where_it_does_not_say():
    assert front_of(landmarks_only()) == "pin"
    assert front_of(landmarks_only(articulator={})) == "pin"
    e = assess(landmarks_only(articulator={})).excursions
    assert e.front == "pin"
    assert e.details.pair is None
    assert not e.details.teeth
    assert not e.details.traces
    assert e.details.border is not None


@pytest.mark.parametrize("front", ["pin", "teeth", "first"])
def test_the_case_says_what_stops_the_front(tmp_path, front):
    a = quick(small_case(tmp_path, wide(), front=front))
    statuses = {s.status for e in a.excursions.kinds.values() for s in e.patient.steps}
    assert a.excursions.front == front
    assert statuses <= ({"on_pin"} if front == "pin" else {"on_pin", "on_teeth"})
    assert ("on_teeth" in statuses) is (front == "teeth")  # level: the pin meets first
    assert result_dict(a)["excursions"]["front"] == front


def test_teeth_that_lock_end_the_excursion_there_and_the_report_names_them(tmp_path):
    a = quick(small_case(tmp_path, [*wide(), wall()], front="teeth"))
    e = a.excursions
    path = e.kinds["protrusion"].patient
    assert not path.complete
    assert path.steps[-1].status == "locked"
    # The cusp, 0.3 mm thick towards the wall 2.5 mm below its tip, gets to the wall.
    assert path.way_mm[-1] == pytest.approx(1.5 - 0.3 * 2.5 / 4.0, abs=0.26)
    said = " ".join(excursion_sentences(e))
    assert f"protrusion movement of the patient stops early, after {path.way_mm[-1]:.2f} mm" in said
    assert "the teeth lock: teeth 11 and 31" in said
    assert "teeth 11 and 31" in " ".join(excursion_paragraphs(e, 0.1))
    assert "stops early" in excursion_table(e, "protrusion", a.landmarks.teeth).note
    kind = json.loads(json.dumps(result_dict(a), allow_nan=False))["excursions"]["kinds"]
    assert kind["protrusion"]["patient"]["status"][-1] == "locked"
    assert "11 and 31" in kind["protrusion"]["patient"]["message"]
    assert kind["left_lateral"]["complete"]


def test_teeth_that_lock_at_the_first_step_leave_the_start_alone(tmp_path):
    e = quick(small_case(tmp_path, [*wide(), wall(0.2)], front="teeth")).excursions
    assert len(e.kinds["protrusion"].patient.reached) == 1
    both = e.details.teeth["protrusion"]
    assert not both.patient.touched.any()
    assert both.only_articulator == both.only_patient == ()
    assert np.isinf(both.patient.least_mm).all()
    assert "after 0.00 mm: the teeth lock: teeth 11 and 31" in " ".join(excursion_sentences(e))
    json.dumps(to_json(both), allow_nan=False)


def test_teeth_that_never_meet_leave_no_excursion_but_a_reason(tmp_path):
    far = [(np.add(v, [0.0, 0.0, 70.0]), f, t) for v, f, t in wide()]
    beside = [*far, (np.add(far[0][0], [0.0, 150.0, 0.0]), far[0][1], 28)]
    a = quick(small_case(tmp_path, beside, front="teeth"))
    e = a.excursions
    assert not e.kinds
    assert set(e.not_started) == set(KINDS)
    for sentence in excursion_sentences(e):
        assert "cannot start" in sentence
        assert "the teeth do not meet on closing" in sentence
    found = json.loads(json.dumps(result_dict(a), allow_nan=False))["excursions"]
    assert found["worst"] is None
    assert set(found["not_started"]) == set(KINDS)
    assert a.stops


@pytest.mark.parametrize(
    ("pair", "front"),
    [
        (open_pair, "teeth"),
        (open_pair, "first"),
        (closed_pair, "pin"),
        (closed_pair, "teeth"),
        pytest.param(open_pair, "pin", marks=pytest.mark.long),
        pytest.param(closed_pair, "first", marks=pytest.mark.long),
    ],
)
def test_real_pairs_have_excursions_in_words(scans, pair, front):
    a = quick(pair(scans, articulator={"front": front}))
    e = a.excursions
    assert set(e.kinds) | set(e.not_started) == set(KINDS)
    words = [*excursion_sentences(e), *excursion_paragraphs(e, 0.1), *tooth_paragraphs(e)]
    assert all(w and "None" not in w and "nan" not in w for w in words)
    json.dumps(result_dict(a), allow_nan=False)
    if front == "pin":
        return
    for kind, both in e.details.teeth.items():
        for along, path in (
            (both.patient, e.kinds[kind].patient),
            (both.articulator, e.kinds[kind].articulator),
        ):
            # Where teeth guide, one touches at every step and none is deeper than rounding.
            assert along.touching[[s.status == "on_teeth" for s in path.reached]].any(axis=1).all()
            assert along.clearance_mm.min() > -1e-6


def test_with_teeth_both_start_closed_from_the_target_onto_the_teeth(demo):
    """The first contacts, found directly in ``axis_orbital`` about each axis."""
    pair = prepare(
        demo.upper.vertices_mm,
        demo.upper.faces,
        demo.closures.lower_target.vertices_mm,
        demo.closures.lower_target.faces,
    )
    error = demo.excursions.kinds["protrusion"]
    for axis, places in (
        (demo.true_axis, error.patient_mm),
        (demo.arbitrary_axis, error.articulator_mm),
    ):
        found = first_contact(pair, axis)
        assert found.status == "contact"
        expected = closing_motion(axis, found.closing_deg).apply(demo.landmarks.points_mm)
        np.testing.assert_allclose(places[0], expected, atol=1e-7)
    assert np.abs(error.error_mm[0]).max() > 0.01
    said = " ".join(excursion_paragraphs(demo.excursions, 0.1))
    assert "closed onto the teeth, each about its own axis" in said


def test_the_true_axis_gives_the_same_contacts_on_the_articulator(demo_case_path):
    case = read_case(demo_case_path)
    none = case.arbitrary_axis.model_copy(
        update=dict.fromkeys(
            ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm"), 0.0
        )
    )
    table = case.articulator.model_copy(update={"front": "teeth"})
    a = quick(
        case.model_copy(update={"arbitrary_axis": none, "articulator": table, "third_point": None})
    )
    for both in a.excursions.details.teeth.values():
        assert both.only_articulator == both.only_patient == ()
        np.testing.assert_allclose(
            both.patient.clearance_mm, both.articulator.clearance_mm, atol=1e-6
        )


def test_traces_are_the_cusps_carried_by_the_excursion(demo):
    """Twice the same: the upper cusp seen from the lower, and the lower carried under it."""
    e = demo.excursions
    cusps = {name: p for name, _, p in automatic_landmarks(demo.upper)}
    on_lower = [t for t in e.details.traces if t.traced_on == "lower"]
    on_upper = [t for t in e.details.traces if t.traced_on == "upper"]
    assert {t.kind for t in on_lower} == {t.kind for t in on_upper} == set(KINDS)
    assert {t.tooth for t in on_lower} >= {13, 14, 15, 16, 17, 23, 24, 25, 26, 27}
    for trace in on_lower:
        motions = e.motions(trace.kind, "patient")
        for motion, point in zip(motions, trace.path_mm["patient"]):
            carried = motion[:3, :3] @ point + motion[:3, 3]
            np.testing.assert_allclose(carried, cusps[trace.name], atol=1e-9)
    for trace in on_upper:
        j = e.names.index(trace.name)
        kind = e.kinds[trace.kind]
        np.testing.assert_allclose(trace.path_mm["patient"], kind.patient_mm[:, j], atol=1e-9)
        np.testing.assert_allclose(
            trace.path_mm["articulator"], kind.articulator_mm[:, j], atol=1e-9
        )


def test_gaps_of_the_traces_are_an_independent_librarys(demo):
    """Oracle: trimesh's closest point on the lower, a few cusps."""
    pytest.importorskip("rtree", reason="RTREE ABSENT: the independent gap check did not run")
    lower = trimesh.Trimesh(
        demo.closures.lower_target.vertices_mm, demo.closures.lower_target.faces, process=False
    )
    few = [t for t in demo.excursions.details.traces if t.traced_on == "lower"][::17]
    for trace in few:
        far = trimesh.proximity.closest_point(lower, trace.path_mm["patient"])[1]
        near = far <= 3.0
        np.testing.assert_allclose(np.abs(trace.gap_mm["patient"][near]), far[near], atol=1e-9)
        assert np.isinf(trace.gap_mm["patient"][~near]).all()


def test_no_tooth_comes_nearer_than_it_is_clear_in_christensens_space(demo):
    """In protrusion on steep guides the molars part (Christensen): clear at the end, both sides."""
    both = demo.excursions.details.teeth["protrusion"]
    for along in (both.patient, both.articulator):
        molars = [along.end_mm[along.teeth.index(t)] for t in (36, 37, 46, 47)]
        assert min(molars) > 0.5


def test_the_border_figure_has_two_arcs_about_two_axes(demo):
    b = demo.excursions.details.border
    for who, axis in (("patient", demo.true_axis), ("articulator", demo.arbitrary_axis)):
        left, right = axis.left_point_mm, axis.right_point_mm
        way = (right - left) / np.linalg.norm(right - left)
        radii = np.linalg.norm(np.cross(b.hinge_mm[who] - left, way), axis=1)
        np.testing.assert_allclose(radii, radii[0], atol=1e-9)
        chord = np.linalg.norm(b.hinge_mm[who][-1] - b.hinge_mm[who][0])
        expected = 2 * radii[0] * np.sin(np.radians(BORDER_OPENING_DEG / 2))
        assert chord == pytest.approx(expected, abs=1e-9)
        np.testing.assert_allclose(b.hinge_mm[who][0], b.protrusive_mm[who][0], atol=1e-12)


def test_on_the_pin_the_border_pair_is_the_single_border_figure():
    a = assess(landmarks_only(articulator={}))
    b = a.excursions.details.border
    unit = a.excursions.kinds["protrusion"].patient.articulator
    alone = sagittal_border(unit, a.landmarks.incisal_point_mm, steps=24)
    np.testing.assert_allclose(b.hinge_mm["patient"], alone.hinge_mm, atol=1e-9)
    np.testing.assert_allclose(b.protrusive_mm["patient"][-1], alone.protrusive_mm[-1], atol=1e-9)


def test_guides_on_the_mandible_change_their_angle_by_the_departure():
    a = assess(landmarks_only(articulator={"sagittal_inclination_left_deg": 35.0}))
    c = a.excursions.details.arcon
    assert c.opening_deg == pytest.approx(a.closures.departure_deg, abs=1e-12)
    assert c.opening_deg < 0.0  # the record is removed: closing
    assert c.to_upper_deg["arcon"][0] == pytest.approx(35.0, abs=1e-9)
    assert c.to_upper_deg["opening"][0] == pytest.approx(35.0 + a.closures.departure_deg, abs=1e-9)
    assert c.to_lower_deg["arcon"][0] == pytest.approx(35.0 - a.closures.departure_deg, abs=1e-9)
    assert c.to_lower_deg["opening"][0] == pytest.approx(35.0, abs=1e-9)


def test_without_a_change_straight_guides_make_the_same_protrusion_on_either_member():
    """Guides and table alike: a translation, so it does not matter which member carries them."""
    table = {
        "sagittal_inclination_left_deg": 30.0, "sagittal_inclination_right_deg": 30.0,
        "incisal_sagittal_deg": 30.0,
    }  # fmt: skip
    c = assess(landmarks_only(articulator=table)).excursions.details.arcon
    np.testing.assert_allclose(c.unchanged_mm["protrusion"], 0.0, atol=1e-9)
    assert np.abs(c.difference_mm["protrusion"]).max() > 0.05
    told = to_json(c)
    for name, ways in (("end_difference_mm", c.difference_mm),
                       ("end_difference_unchanged_mm", c.unchanged_mm)):  # fmt: skip
        for kind, way in ways.items():
            assert told[name][kind] == way[-1].tolist()
            assert np.abs(way[0]).max() < 1e-9  # both start together: the end is what is told
    assert np.abs(c.unchanged_mm["left_lateral"]).max() > 0.05


def test_a_record_at_the_target_leaves_nothing_to_compare():
    case = landmarks_only(articulator={}, record={"as_scanned": True})
    details = assess(case).excursions.details
    assert details.arcon is None
    assert to_json(details)["arcon_comparison"] is None


def test_motions_are_those_of_each_path_in_the_patients_frame(demo):
    e = demo.excursions
    for kind, error in e.kinds.items():
        for who, places in (("patient", error.patient_mm), ("articulator", error.articulator_mm)):
            motions = e.motions(kind, who)[: len(places)]
            points = np.einsum("nij,kj->nki", motions[:, :3, :3], demo.landmarks.points_mm)
            np.testing.assert_allclose(points + motions[:, None, :3, 3], places, atol=1e-9)
            assert Rotation.from_matrix(motions[:, :3, :3]).magnitude().max() < np.radians(10.0)


def test_the_result_file_repeats_the_record(demo):
    found = json.loads(json.dumps(result_dict(demo), allow_nan=False))["excursions"]
    e = demo.excursions
    assert found["schema"] == "hingewise-excursions/1"
    assert set(found["teeth"]) == set(KINDS)
    for kind, both in e.details.teeth.items():
        told = found["teeth"][kind]
        assert told["only_articulator"] == list(both.only_articulator)
        for who, along in (("patient", both.patient), ("articulator", both.articulator)):
            assert told[who]["way_mm"] == along.way_mm.tolist()
            rows = {row["tooth"]: row for row in told[who]["teeth"]}
            assert set(rows) == set(along.teeth)
            for i, tooth in enumerate(along.teeth):
                assert rows[tooth]["where"] == along.where[i]
                assert [tuple(s) for s in rows[tooth]["touches_mm"]] == list(along.spans_mm(i))
                end = rows[tooth]["end_mm"]
                assert (
                    np.isinf(along.end_mm[i])
                    if end is None
                    else (end == pytest.approx(along.end_mm[i], abs=1e-6))
                )
    for kind, error in e.kinds.items():
        told = found["kinds"][kind]
        assert told["complete"] is error.complete
        assert told["steps"] == len(error.error_mm) - 1 > 0
        assert [row["name"] for row in told["landmarks"]] == list(e.names)
        ends = [[row["start_error_mm"], row["end_error_mm"]] for row in told["landmarks"]]
        np.testing.assert_array_equal(np.swapaxes(ends, 0, 1), error.error_mm[[0, -1]])
        high = [row["end_high_mm"] for row in told["landmarks"]]
        np.testing.assert_array_equal(high, error.high_mm[-1])
        for who, path in (("patient", error.patient), ("articulator", error.articulator)):
            assert told[who]["status"] == [step.status for step in path.steps]
            assert told[who]["side_shift_mm"] == path.side_shift_mm[-1]
            touching = [(i, s.contact) for i, s in enumerate(path.steps) if s.contact is not None]
            assert [(c["step"], c["upper_tooth"], c["where"]) for c in told[who]["contacts"]] == [
                (i, contact.upper_tooth, contact.where) for i, contact in touching
            ]
            assert len(touching) > 3
    assert len(found["traces"]) == len(e.details.traces)
    for row, trace in zip(found["traces"], e.details.traces):
        for who, path in trace.path_mm.items():
            assert row["path_mm"][who] == path[::2].round(4).tolist()
            every_second = [None if np.isinf(g) else g for g in trace.gap_mm[who][::2]]
            assert row["gap_mm"][who] == pytest.approx(every_second, abs=0.5001e-4)
    assert found["border"]["landmark"] == "incisal point"
    told, arcon = found["arcon_comparison"], e.details.arcon
    assert told["opening_deg"] == pytest.approx(demo.closures.departure_deg)
    for kind, way in arcon.difference_mm.items():
        assert told["end_difference_mm"][kind] == way[-1].tolist()
        assert told["end_difference_unchanged_mm"][kind] == arcon.unchanged_mm[kind][-1].tolist()


def test_options_still_come_before_the_case(demo):
    pin = excursion_errors(demo.geometry, front="pin", steps=2)
    assert pin.front == "pin"
    assert pin.details is None
    assert compare_excursions(demo.closures).front == "teeth"
