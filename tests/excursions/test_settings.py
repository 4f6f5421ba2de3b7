"""Guidance records of a case: poses and scans to settings, on the true and the arbitrary axis."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
from kinematics.articulator.records import RECORD_LABEL
from kinematics.assessment import assess, assess_placed
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.case.read import case_from_dict, case_to_dict, read_case, write_case
from kinematics.closure.geometry import geometry_of
from kinematics.closure.place import place
from kinematics.excursions.settings import case_guidance
from kinematics.inspection import inspect_case
from kinematics.result import result_dict
from kinematics.sweep.rows import excursion_columns
from tests.articulator.test_path import CUSP
from tests.casts.test_registration import arch
from tests.excursions.test_teeth import cone, joined, slab
from tests.makers.cases import landmarks_only, open_pair
from viewer.app.desk import Session
from viewer.app.excursions import excursions_state
from viewer.command.cli import main
from viewer.report.excursions import excursion_sentences
from viewer.report.guidance import (
    guide_sentences,
    record_sentence,
    record_table,
    rule_sentence,
    setting_sources,
)

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
PATIENT = ArticulatorSettings(
    intercondylar_mm=110.0,
    sagittal_inclination_left_deg=44.0,
    sagittal_inclination_right_deg=36.0,
    bennett_left_deg=6.0,
    bennett_right_deg=11.0,
)
KINDS = {"protrusive": "protrusion", "left_lateral": "left_lateral",
         "right_lateral": "right_lateral"}  # fmt: skip
ANGLES = tuple(
    f"{name}_{side}_deg"
    for name in ("sagittal_inclination", "bennett")
    for side in ("left", "right")
)
MOUNTING = RigidTransform.from_components(
    [30.0, -4.0, 25.0], Rotation.from_rotvec([0.2, -0.3, 0.1])
)
"""axis_orbital_from_upper_scan of the made-up case."""
SCANNED = RigidTransform.from_components([3.0, -2.0, 5.0], Rotation.from_rotvec([0.1, -0.05, 0.2]))
"""upper_scan_from_lower_scan of the made-up case."""
OFFSETS = {
    "left_anterior_mm": 4.0, "left_superior_mm": -3.0,
    "right_anterior_mm": 5.5, "right_superior_mm": -1.0,
}  # fmt: skip


TIPS = {
    31: CUSP,
    37: np.add(CUSP, [-40.0, 25.0, 0.0]),
    47: np.add(CUSP, [-40.0, -25.0, 0.0]),
}
"""Tips of the lower's teeth, ``axis_orbital``, as scanned."""


def motion_to(kind, patient=PATIENT, prop_deg=0.0):
    """Way of the lower to a record on known guides, ``axis_orbital``, propped open by a hinge."""
    unit = build_articulator(patient, [130.0, 0.0, -35.0])
    motion = excursion(unit, KINDS[kind], 4, travel_mm=6.0).reached[-1].motion
    moved = HingeAxis(motion.apply(TRUE.left_point_mm), motion.apply(TRUE.right_point_mm))
    return opening_motion(moved, prop_deg) * motion


def record(kind, patient=PATIENT, prop_deg=0.0):
    pose = MOUNTING.inv() * motion_to(kind, patient, prop_deg) * MOUNTING * SCANNED
    return {"kind": kind, "upper_scan_from_lower_scan": pose.as_matrix().tolist()}


ALL = [record(kind) for kind in KINDS]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Three lower cusps under upper blocks; scans in frames of their own."""
    folder = tmp_path_factory.mktemp("guidance")
    lower = joined("lower", [cone(p, t) for t, p in TIPS.items()])
    above = zip((21, 27, 17), TIPS.values())
    upper = joined("upper", [slab(*np.add(p, [0.0, 0.0, 3.0]), t) for t, p in above])
    lower.moved((MOUNTING * SCANNED).inv()).write(folder / "lower.ply")
    upper.moved(MOUNTING.inv()).write(folder / "upper.ply")
    return folder


def case_with(folder, articulator, **changes):
    in_ao = MOUNTING * SCANNED
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "records",
            "casts": {
                "upper": "upper.ply",
                "lower": "lower.ply",
                "upper_scan_from_lower_scan": SCANNED.as_matrix().tolist(),
            },
            "mounting": {
                "method": "matrix",
                "axis_orbital_from_upper_scan": MOUNTING.as_matrix().tolist(),
            },
            "true_axis": {"width_mm": 110.0},
            "arbitrary_axis": OFFSETS,
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"vdo_change_mm": 1.0, "site": "incisors"},
            "landmarks": [
                {"name": f"{t} tip", "tooth": t, "point_mm": in_ao.inv().apply(p).tolist()}
                for t, p in TIPS.items()
            ],
            "articulator": articulator,
            **changes,
        },
        folder=folder,
    )


def guidance_of(case):
    placed = place(case)
    return case_guidance(geometry_of(placed))


def quick(case):
    return assess_placed(place(case), curve=False, uncertainty=False)


@given(
    st.floats(5.0, 60.0), st.floats(5.0, 60.0), st.floats(2.0, 20.0), st.floats(2.0, 20.0),
    st.floats(0.0, 6.0),
)  # fmt: skip
@settings(max_examples=15, deadline=None)
def test_records_give_the_patient_s_guides_back_however_far_they_prop_the_jaw(
    folder, h1, h2, b1, b2, prop
):
    patient = ArticulatorSettings(110.0, h1, h2, b1, b2)
    case = case_with(folder, {"records": [record(k, patient, prop) for k in KINDS]})
    got = guidance_of(case).patient
    for name in ANGLES:
        assert getattr(got.settings, name) == pytest.approx(getattr(patient, name), abs=1e-6)
    assert sorted(got.told) == sorted(ANGLES)
    assert got.settings.intercondylar_mm == 110.0


def test_the_arbitrary_axis_is_set_as_a_plain_calculation_in_its_own_frame_says(folder):
    """Elements on the arbitrary axis at the target, carried by the record; numpy only."""
    case = case_with(folder, {"records": ALL})
    placed = place(case)
    found = guidance_of(case)
    left, right = np.array([4.0, 55.0, -3.0]), np.array([5.5, -55.0, -1.0])
    across = (left - right) / np.linalg.norm(left - right)
    ahead = np.array([80.0, 0.0, 0.0]) - 0.5 * (left + right)
    ahead -= (ahead @ across) * across
    ahead /= np.linalg.norm(ahead)
    up = np.cross(ahead, across)
    target = geometry_of(placed).target_from_scanned.as_matrix()
    for kind, side, bennett in (("protrusive", "left", None), ("protrusive", "right", None),
                                ("left_lateral", "right", 1.0),
                                ("right_lateral", "left", -1.0)):  # fmt: skip
        sign = 1.0 if side == "left" else -1.0
        start = 0.5 * (left + right) + sign * 55.0 * across
        way = motion_to(kind).as_matrix() @ np.linalg.inv(target)
        step = (way @ [*start, 1.0])[:3] - start
        guide = next(g for g in found.articulator.guides if (g.record, g.side) == (kind, side))
        steep = np.degrees(np.arctan2(-(step @ up), step @ ahead))
        assert guide.inclination_deg == pytest.approx(steep, abs=1e-9)
        if bennett:
            inwards = np.degrees(np.arctan2(bennett * (step @ across), step @ ahead))
            assert guide.bennett_deg == pytest.approx(inwards, abs=1e-9)
    assert found.articulator.settings != found.patient.settings


def test_the_propping_changes_what_the_arbitrary_axis_reads_and_not_the_true_one(folder):
    """About the arbitrary axis the hinge part of a record passes for a way of the elements."""
    thin, thick = (
        guidance_of(case_with(folder, {"records": [record("protrusive", prop_deg=p)]}))
        for p in (0.0, 4.0)
    )
    name = "sagittal_inclination_left_deg"
    assert getattr(thick.patient.settings, name) == pytest.approx(44.0, abs=1e-9)
    gap = getattr(thick.articulator.settings, name) - getattr(thin.articulator.settings, name)
    assert abs(gap) > 1.0


def test_with_the_true_axis_both_are_set_alike_and_nothing_is_off(folder):
    case = case_with(
        folder, {"records": ALL}, arbitrary_axis=dict.fromkeys(OFFSETS, 0.0)
    )  # fmt: skip
    found = guidance_of(case)
    for name in ANGLES:
        here, there = (getattr(g.settings, name) for g in (found.patient, found.articulator))
        assert here == pytest.approx(there, abs=1e-9)
    e = quick(case).excursions
    assert max(np.abs(k.error_mm).max() for k in e.kinds.values()) < 1e-6


def test_an_articulator_set_by_records_holds_the_recorded_positions(folder):
    """What records are for: its elements reach the recorded place, whatever axis it stands on.

    Same angles in its place would leave them off the guides.
    """
    e = quick(case_with(folder, {"records": ALL})).excursions
    assert e.settings_from == "records"
    assert e.articulator_settings == e.guidance.articulator.settings
    guide = e.guidance.articulator.guides[0]
    unit = build_articulator(e.articulator_settings, [130.0, 0.0, -35.0])
    start = unit.left.start_mm
    reached = np.add(start, [guide.forward_mm, 0.0, -guide.down_mm])
    assert unit.left.roof(reached)[0] == pytest.approx(0.0, abs=1e-9)
    same = build_articulator(e.settings, [130.0, 0.0, -35.0])
    assert abs(same.left.roof(reached)[0]) > 0.03


def test_the_case_chooses_between_its_angles_and_its_records(folder):
    by_records = quick(case_with(folder, {"records": ALL})).excursions
    alike = quick(case_with(folder, {"records": ALL, "settings_from": "same_angles"})).excursions
    assert alike.articulator_settings == alike.settings == by_records.settings
    assert alike.guidance.articulator is None
    assert record_sentence(alike.guidance) == ""
    assert by_records.articulator_settings != by_records.settings
    none = case_with(folder, {"settings_from": "records", "bennett_left_deg": 7.0})
    own = quick(none).excursions  # the patient's own positions stand for records
    assert own.guidance is None
    assert own.settings_from == "records"
    assert own.articulator_settings != own.settings
    assert own.settings.bennett_left_deg == 7.0


def test_values_stay_records_fill_in_and_the_rule_follows_what_they_told(folder):
    table = {"sagittal_inclination_right_deg": 30.0, "records": [record("left_lateral")]}
    got = guidance_of(case_with(folder, table)).patient
    assert got.settings.sagittal_inclination_right_deg == 30.0
    assert got.settings.bennett_right_deg == pytest.approx(11.0, abs=1e-6)
    assert got.told == ("bennett_right_deg",)
    assert got.settings.bennett_left_deg == ArticulatorSettings().bennett_left_deg  # no rule asked
    # tan and sin by hand: the element is 6 mm down a guide of 36 deg; at 30 deg it lies below.
    assert [f.where for f in got.findings] == ["articulator.records.left_lateral"]
    assert "below the guide of 30 deg" in got.findings[0].message
    case = case_with(folder, {"bennett_rule": True, "records": [record("protrusive")]})
    found = guidance_of(case)
    assert found.patient.settings.bennett_left_deg == pytest.approx(44.0 / 8 + 12, abs=1e-6)
    there = found.articulator.settings
    assert there.bennett_left_deg == pytest.approx(
        there.sagittal_inclination_left_deg / 8 + 12, abs=1e-12
    )
    assert "left and right side: by the rule" in rule_sentence(case)
    half = case_with(folder, {"bennett_rule": True, "records": [record("left_lateral")]})
    assert "of the left side: by the rule" in rule_sentence(half)


def test_the_third_point_s_effect_uses_what_the_records_told(folder):
    third = {"third_point": {"kind": "orbitale", "error_superior_mm": 3.0, "reach_mm": 73.0}}
    by_record = quick(case_with(folder, {"records": [record("protrusive")]}, **third))
    angles = {f"sagittal_inclination_{s}_deg": h for s, h in (("left", 44.0), ("right", 36.0))}
    by_value = quick(case_with(folder, angles, **third))
    average = quick(case_with(folder, {}, **third))
    a, b, c = (x.transfer.third_point for x in (by_record, by_value, average))
    for name, value in vars(b).items():
        np.testing.assert_allclose(getattr(a, name), value, atol=1e-6, err_msg=name)
    assert a.sagittal_deg != c.sagittal_deg


def test_scans_in_the_records_give_the_angles_that_their_poses_give(tmp_path):
    """Scans of the lower in the records, in the upper's frame, each with its own mesh."""
    rng = np.random.default_rng(4)
    shape = arch().moved(RigidTransform.from_translation([60.0, 0.0, -40.0]))
    upper = shape.moved(RigidTransform.from_translation([0.0, 0.0, 12.0]))
    shape.moved((MOUNTING * SCANNED).inv()).write(tmp_path / "lower.ply")
    upper.moved(MOUNTING.inv()).write(tmp_path / "upper.ply")
    listed = []
    for kind in KINDS:
        moved = shape.moved(MOUNTING.inv() * motion_to(kind))
        noisy = moved.vertices_mm + rng.normal(0.0, 0.01, moved.vertices_mm.shape)
        replace(moved, vertices_mm=noisy).write(tmp_path / f"{kind}.ply")
        listed.append({"kind": kind, "file": f"{kind}.ply"})
    case = case_with(tmp_path, {"records": listed})
    placed = place(case)
    assert [r.registration.status for r in placed.scans.records] == ["converged"] * 3
    got = guidance_of(case).patient
    for name in ANGLES:
        assert getattr(got.settings, name) == pytest.approx(getattr(PATIENT, name), abs=0.3), name


def test_a_changed_case_keeps_its_records_and_changed_records_are_read_again(folder):
    placed = place(case_with(folder, {"records": ALL}))
    moved = placed.with_case(
        placed.case.model_copy(update={"decision": placed.case.decision.model_copy(
            update={"tolerance_mm": 0.5})})
    )  # fmt: skip
    assert moved.scans is placed.scans
    assert set(geometry_of(moved).recorded) == set(KINDS)
    fewer = placed.with_case(case_with(folder, {"records": ALL[:1]}))
    assert [r.kind for r in fewer.scans.records] == ["protrusive"]


def test_a_case_with_records_is_written_and_read_back(folder):
    case = case_with(folder, {"records": ALL, "settings_from": "records"})
    path = folder / "copy.toml"
    write_case(case, path)
    assert case_to_dict(read_case(path)) == case_to_dict(case)


def test_result_report_terminal_and_viewer_tell_what_the_records_told(folder):
    a = quick(case_with(folder, {"records": ALL}))
    e = a.excursions
    told = json.loads(json.dumps(result_dict(a)))["excursions"]["records"]
    assert set(told) == {"record_from_target", "true_axis", "arbitrary_axis"}
    to_target = geometry_of(place(a.case)).target_from_scanned.as_matrix()
    np.testing.assert_allclose(
        np.array(told["record_from_target"]["left_lateral"]) @ to_target,
        motion_to("left_lateral").as_matrix(),
        atol=1e-9,
    )
    assert sorted(told["true_axis"]["settings"]) == sorted(ANGLES)
    first = told["true_axis"]["guides"][0]
    assert first["record"] == "protrusive"
    assert first["inclination_deg"] == pytest.approx(44.0, abs=1e-6)
    table = record_table(e.guidance)
    assert [row[0] for row in table.rows] == [
        "protrusive, left side", "protrusive, right side", "left lateral, right side",
        "right lateral, left side",
    ]  # fmt: skip
    assert [row[4] for row in table.rows] == ["44.0", "36.0", "36.0", "44.0"]
    assert [row[6] for row in table.rows[2:]] == ["11.0", "6.0"]
    told_there = e.guidance.articulator.guides[0].inclination_deg
    assert table.rows[0][5] == f"{told_there:.1f}"
    assert record_sentence(e.guidance) in excursion_sentences(e)
    gaps = {
        n: abs(getattr(e.settings, n) - getattr(e.articulator_settings, n)) for n in ANGLES
    }  # fmt: skip
    worst = max(gaps, key=gaps.__getitem__)
    assert f"{getattr(e.articulator_settings, worst):.1f}° in place" in record_sentence(e.guidance)
    sources = setting_sources(a.case.articulator, e.guidance)
    assert sources == dict.fromkeys(ANGLES, "record")
    state = excursions_state(Session(a.case).reading, 1)
    assert record_sentence(e.guidance) in state["notes"]
    froms = {row["what"]: row["from"] for row in state["settings"]}
    assert froms["sagittal condylar inclination, °"] == froms["Bennett angle, °"] == "record"


def test_inspect_tells_what_each_record_says_before_anything_is_assessed(folder):
    seen = inspect_case(case_with(folder, {"records": ALL}))
    assert not [f for f in seen.findings if f.level == "error"]
    said = guide_sentences(seen.guidance)
    assert len(said) == 4
    assert "true axis 44.0°" in said[0]
    assert "Bennett angle 11.0°" in said[2]
    assert to_json(seen)["records"]["true_axis"]["guides"][3]["side"] == "left"
    bad = [record("protrusive", ArticulatorSettings(110.0, 30.0, 30.0))]
    bad[0]["upper_scan_from_lower_scan"] = SCANNED.as_matrix().tolist()
    failed = inspect_case(case_with(folder, {"records": bad}))
    assert "articulator.records.protrusive" in [f.where for f in failed.findings]


def test_a_sweep_s_row_has_the_assessment_s_error_from_records(folder):
    case = case_with(folder, {"records": ALL})
    row = excursion_columns(place(case))
    for kind, error in quick(case).excursions.kinds.items():
        size = float(np.linalg.norm(error.error_mm, axis=2).max())
        assert row[f"excursion_error_mm.{kind}"][0] == pytest.approx(size, abs=1e-6)


def test_real_scans_with_records(scans):
    """The open pair, its lower carried 5 mm forwards and down a guide of 40 deg: told back."""
    down = 5.0 * np.tan(np.radians(40.0))
    plain = place(open_pair(scans))
    to_ao = plain.mounting.axis_orbital_from_upper_scan
    pose = to_ao.inv() * RigidTransform.from_translation([5.0, 0.0, -down]) * to_ao
    case = open_pair(
        scans,
        articulator={
            "records": [
                {"kind": "protrusive", "upper_scan_from_lower_scan": pose.as_matrix().tolist()}
            ]
        },
    )
    a = quick(case)
    e = a.excursions
    assert e.settings.sagittal_inclination_left_deg == pytest.approx(40.0, abs=1e-6)
    assert e.settings.sagittal_inclination_right_deg == pytest.approx(40.0, abs=1e-6)
    assert e.articulator_settings.sagittal_inclination_left_deg != pytest.approx(40.0, abs=0.01)
    assert {g.record for g in e.guidance.patient.guides} <= set(RECORD_LABEL)


STILL = {"kind": "protrusive", "upper_scan_from_lower_scan": SCANNED.as_matrix().tolist()}


@pytest.mark.parametrize(
    ("articulator", "where", "words"),
    [
        ({"records": [{"kind": "protrusive"}]}, "articulator.records.0.file", "neither"),
        ({"records": [{**ALL[0], "file": "a.ply"}]}, "articulator.records.0.file", "both"),
        ({"records": [{**ALL[0], "kind": "retrusive"}]}, "articulator.records.0.kind", "retrusive"),
        ({"records": [ALL[0], ALL[0]]}, "articulator.records.1.kind", "a second protrusive record"),
        (
            {"records": [ALL[0]], "sagittal_inclination_left_deg": 40.0},
            "articulator.sagittal_inclination_left_deg",
            "a protrusive record that tells it",
        ),
        (
            {"records": [ALL[1]], "bennett_right_deg": 9.0},
            "articulator.bennett_right_deg",
            "a left_lateral record that tells it",
        ),
        ({"settings_from": "angles"}, "articulator.settings_from", "angles"),
        ({"records": [{"kind": "protrusive", "file": "../x.ply"}]}, "articulator.records.0.file",
         "inside the case's folder"),
    ],
)  # fmt: skip
def test_a_table_that_cannot_be_meant_is_refused_by_its_field(folder, articulator, where, words):
    with pytest.raises(InputError) as caught:
        case_with(folder, articulator)
    assert caught.value.where == where
    assert words in str(caught.value)


def test_records_need_casts():
    with pytest.raises(InputError, match=r"articulator\.records.*without \[casts\]"):
        landmarks_only(articulator={"records": ALL})


@pytest.mark.parametrize(
    ("records", "where", "words"),
    [
        ([STILL], "articulator.records.protrusive", "at least 2 mm"),
        ([{"kind": "protrusive", "file": "none.ply"}], "articulator.records.0.file", "none.ply"),
        ([{"kind": "protrusive", "file": "upper.ply"}], "articulator.records.0.file",
         "need at least 50"),
        ([{**record("left_lateral"), "kind": "right_lateral"}], "articulator.records.right_lateral",
         "forwards"),
    ],
)  # fmt: skip
def test_a_record_that_tells_nothing_ends_with_its_field_and_exit_code_2(
    folder, records, where, words, tmp_path, capsys
):
    path = folder / "bad.toml"
    write_case(case_with(folder, {"records": records}), path)
    assert main(["assess", str(path), "-o", str(tmp_path / "out")]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert where in said
    assert words in said
    assert not (tmp_path / "out").exists()


def test_a_record_that_the_arbitrary_axis_cannot_take_says_so_and_what_to_do(folder):
    far = {name: -40.0 if "superior" in name else 0.0 for name in OFFSETS}
    case = case_with(
        folder, {"records": [record("protrusive", prop_deg=9.0)]}, arbitrary_axis=far
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        assess(case)
    assert "about the arbitrary axis" in caught.value.got
    assert "settings_from = 'same_angles'" in caught.value.fix
