"""What is sent to the browser: display meshes, matrices, lines, diagrams, texts."""

import json
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import closing_motion, opening_motion
from kinematics.case.read import read_case
from kinematics.closure.batch import arc
from kinematics.closure.stops import high_amount
from tests.makers.cases import landmarks_only, open_pair
from viewer.app.session import Session, complete, quick_curve
from viewer.app.texts import answer_state, later_state, numbers_state
from viewer.figures.numbers import ticks
from viewer.figures.page_charts import (
    ARCS_BOX,
    CURVE_BOX,
    LETTER_PX,
    STRONG_PX,
    arcs_chart,
    curve_chart,
    svg_path,
)
from viewer.scene.build import ends, exaggerated, map_limit_um
from viewer.scene.to_page import (
    DISPLAY_FACES,
    MOVING_FACES,
    casts_payload,
    display_mesh,
    pack,
    scene_state,
)


@pytest.fixture(scope="module")
def demo(demo_case_path):
    return Session(read_case(demo_case_path)).reading


def unpacked(body):
    length = struct.unpack("<I", body[:4])[0]
    head, start = json.loads(body[4 : 4 + length]), 4 + length
    return {
        name: {
            key: np.frombuffer(body, dtype=kind, count=size, offset=start + at)
            for key, (kind, at, size) in arrays.items()
        }
        for name, arrays in head.items()
    }


def matrix(values):
    return np.array(values).reshape(4, 4).T


def test_the_pack_holds_the_arrays_on_borders_that_a_browser_can_read():
    arrays = {"a": np.arange(3, dtype=np.uint8), "b": np.linspace(0, 1, 7, dtype=np.float32)}
    body = pack({"one": arrays, "two": {"c": np.arange(4, dtype=np.uint32)}})
    found = unpacked(body)
    assert np.array_equal(found["one"]["b"], arrays["b"])
    assert np.array_equal(found["two"]["c"], np.arange(4))
    length = struct.unpack("<I", body[:4])[0]
    head = json.loads(body[4 : 4 + length])
    for group in head.values():
        for kind, at, _ in group.values():
            assert (4 + length + at) % np.dtype(kind).itemsize == 0


def test_the_display_meshes_are_coarse_and_carry_points_of_the_full_cast(scans):
    placed = Session(open_pair(scans)).reading.placed
    found = unpacked(casts_payload(placed))
    full = {tuple(p) for p in placed.lower.vertices_mm.astype(np.float32)}
    for name, most in (("lower", DISPLAY_FACES), ("lower_moving", MOVING_FACES)):
        mesh = found[name]
        assert len(mesh["face"]) // 3 <= 1.02 * most
        assert mesh["face"].max() < len(mesh["position"]) // 3
        points = mesh["point"].reshape(-1, 3)
        assert all(tuple(p) in full for p in points[::97])
        near = np.linalg.norm(points - mesh["position"].reshape(-1, 3), axis=1)
        assert np.quantile(near, 0.95) < 1.0
        assert np.allclose(np.linalg.norm(mesh["normal"].reshape(-1, 3), axis=1), 1.0, atol=1e-5)


def test_a_case_without_casts_sends_an_empty_pack():
    assert unpacked(casts_payload(Session(landmarks_only()).reading.placed)) == {}


def test_the_browser_s_colour_formula_gives_the_full_mesh_s_high_amounts(demo):
    surface = demo.placed.lower_occlusal
    mesh = display_mesh(demo.placed.lower, surface.index)
    scene = scene_state(demo, 1)
    target, error = matrix(scene["target"]), matrix(scene["error"])
    chosen = np.flatnonzero(mesh["mapped"])[::50]
    p = mesh["point"][chosen] @ target[:3, :3].T + target[:3, 3]
    n = mesh["normal"][chosen] @ target[:3, :3].T
    shown = -np.einsum("ij,ij->i", p @ error[:3, :3].T + error[:3, 3], n)
    exact = high_amount(demo.stops[demo.stop].error_motion, p, n)
    assert np.allclose(shown, exact, atol=1e-9)
    whole = complete(demo)
    at = {tuple(v): k for k, v in enumerate(demo.placed.lower.vertices_mm.astype(np.float32))}
    row = {v: k for k, v in enumerate(whole.closures.occlusal_index)}
    for i, value in zip(chosen[::7], shown[::7]):
        vertex = at[tuple(mesh["point"][i])]
        expected = whole.closures.occlusal_high_mm[demo.stop][row[vertex]]
        assert value == pytest.approx(expected, abs=5e-5)


def test_the_ghost_at_factor_one_is_the_articulator_s_pose(demo):
    scene = scene_state(demo, 1)
    expected = demo.stops[demo.stop].error_motion.as_matrix() @ matrix(scene["target"])
    assert np.allclose(matrix(scene["ghost"]), expected, atol=1e-9)


@settings(max_examples=40)
@given(
    st.lists(st.floats(-0.3, 0.3), min_size=3, max_size=3),
    st.lists(st.floats(-5, 5), min_size=3, max_size=3),
    st.integers(1, 6),
)
def test_an_exaggerated_motion_is_the_motion_repeated(turn, shift, times):
    motion = RigidTransform.from_exp_coords([*turn, *shift])
    repeated = RigidTransform.identity()
    for _ in range(times):
        repeated = motion * repeated
    assert np.allclose(exaggerated(motion, times).as_matrix(), repeated.as_matrix(), atol=1e-9)


def test_an_arc_is_the_closing_motion_angle_by_angle(demo):
    point = demo.landmarks_record_mm[0]
    for axis in (demo.true_axis, demo.arbitrary_axis):
        quick = arc(axis, point, 3.0, start_deg=-2.0, steps=9)
        one_by_one = [closing_motion(axis, a).apply(point) for a in np.linspace(-2.0, 3.0, 10)]
        assert np.allclose(quick, one_by_one, rtol=0, atol=1e-12)


def test_arcs_end_at_the_landmarks_of_both_closures(demo):
    scene = scene_state(demo, 5)
    ends = {
        role: [np.array(i["pieces"][-1][-1]) for i in scene["lines"]
               if i["layer"] == "arcs" and i["role"] == role and i["radius"] > 0.4]
        for role in ("true", "arbitrary")
    }  # fmt: skip
    for point in ends["true"]:
        assert np.linalg.norm(demo.landmarks.points_mm - point, axis=1).min() < 1e-3
    closed = demo.stops[demo.stop].articulator_mm
    for point in ends["arbitrary"]:
        # A dashed arc may end in a gap: within one dash and one gap of the end.
        assert np.linalg.norm(closed - point, axis=1).min() < 1.8


def test_the_scene_is_plain_json_for_every_kind_of_case(demo, scans):
    for reading in (demo, Session(landmarks_only()).reading, Session(open_pair(scans)).reading):
        curve = quick_curve(reading)
        parts = [
            scene_state(reading, 10),
            numbers_state(reading),
            answer_state(None),
            arcs_chart(reading, 10, ARCS_BOX),
            curve_chart(reading, curve, 1.5, CURVE_BOX),
            later_state(complete(reading)),
        ]
        assert "NaN" not in json.dumps(parts)


def test_the_map_s_scale_holds_nearly_all_values(demo):
    surface = demo.placed.lower_occlusal
    move = demo.geometry.target_from_scanned
    values = high_amount(
        demo.stops[demo.stop].error_motion,
        move.apply(surface.points_mm),
        move.rotation.apply(surface.normals),
    )
    assert np.mean(np.abs(1e3 * values) <= map_limit_um(demo)) > 0.97


def test_the_table_shows_the_reading_in_micrometres(demo):
    state = numbers_state(demo)
    result = demo.stops[demo.stop]
    assert state["size"] == f"{1e3 * result.magnitude_mm.max():.0f}"
    for i, row in enumerate(state["rows"]):
        shown = [int(row[k].replace("−", "-")) for k in ("ap", "tr", "ve", "size", "high")]
        exact = [*result.error_mm[i], result.magnitude_mm[i], result.high_mm[i]]
        assert np.allclose(shown, 1e3 * np.array(exact), atol=0.51)
    assert sum(row["worst"] for row in state["rows"]) == 1


def test_the_contact_stop_compares_both_bites_wherever_the_planned_ovd_lies(demo_case_path):
    """At departure 0 it keeps an error where the casts close on; the planned OVD is not in it."""
    session = Session(read_case(demo_case_path))
    before = session.reading.stops["contact"]
    session.change("departure_mm", 0.0)
    sizes = {s["stop"]: s["size"] for s in numbers_state(session.reading)["stops"]}
    assert sizes["pin"] == sizes["equal_angle"] == "0"
    assert 20 < int(sizes["contact"]) < 1e3 * before.magnitude_mm.max()
    session.change("stop", "contact")
    assert numbers_state(session.reading)["stops"][2]["size"] == sizes["contact"]


def test_without_casts_the_contact_stop_says_why_it_is_missing():
    row = numbers_state(Session(landmarks_only()).reading)["stops"][2]
    assert not row["ok"]
    assert "No casts" in row["why"]


@settings(max_examples=60)
@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e3), st.integers(2, 8))
def test_ticks_are_round_few_and_inside(low, span, most):
    values = ticks(low, low + span, most)
    assert 1 <= len(values) <= most or len(values) == 2
    assert all(low - 1e-6 * span <= v <= low + span + 1e-6 * span for v in values)
    assert values == sorted(values)


def test_a_path_breaks_where_there_is_no_value():
    y = np.array([1.0, np.nan, 2.0, 3.0])
    assert svg_path(np.arange(4.0), y) == "M0.0 1.0M2.0 2.0L3.0 3.0"


def test_the_curve_passes_through_the_point_of_the_case():
    reading = Session(landmarks_only()).reading
    curve = quick_curve(reading)
    chart = curve_chart(reading, curve, 7.4, CURVE_BOX)
    chosen = next(c for c in chart["curves"] if c["chosen"])
    xy = np.array([p.split() for p in chosen["d"][1:].split("L")], dtype=float)
    x, y = chart["here"]
    assert np.interp(x, xy[:, 0], xy[:, 1]) == pytest.approx(y, abs=1.5)


def test_the_enlarged_gap_is_the_error_times_the_factor():
    reading = Session(landmarks_only()).reading
    for factor in (1, 20):
        chart = arcs_chart(reading, factor, ARCS_BOX)
        for detail in chart["details"]:
            a, b = np.array(detail["end_true"]), np.array(detail["end_arbitrary"])
            size = float(detail["size"].split()[0])
            drawn_um = 1e3 * np.linalg.norm(a - b) / detail["mm"] / factor
            assert drawn_um == pytest.approx(size, abs=0.6)  # a sagittal error has no y part


def test_a_record_at_the_target_draws_no_path():
    session = Session(landmarks_only())
    session.change("departure_mm", 0.0)
    chart = arcs_chart(session.reading, 10, ARCS_BOX)
    assert chart["details"] == []  # and the page says it once
    assert chart["same"] == "record = target: no path, no error"
    assert arcs_chart(Session(landmarks_only()).reading, 10, ARCS_BOX)["same"] == ""
    assert numbers_state(session.reading)["size"] == "0"


def test_anterior_is_drawn_to_the_left_and_up_is_up():
    reading = Session(landmarks_only()).reading
    hinges = {h["role"]: h["at"] for h in arcs_chart(reading, 1, ARCS_BOX)["overview"]["hinges"]}
    assert hinges["arbitrary"][0] < hinges["true"][0]  # 5 mm anterior
    session = Session(landmarks_only())
    for side in ("left", "right"):
        session.change(f"{side}_superior_mm", 6.0)
    overview = arcs_chart(session.reading, 1, ARCS_BOX)["overview"]
    hinges = {h["role"]: h["at"] for h in overview["hinges"]}
    assert hinges["arbitrary"][1] < hinges["true"][1]


def boxes(chart):
    """Texts of the arcs: left, top, right, bottom of each, as far as a letter's width is known."""
    found = {"← anterior": (2.0, 14.0, 0.0, LETTER_PX), "10 mm": (
        chart["w"] - 12 - chart["bar"] / 2, chart["split"] - 13, 0.5, LETTER_PX)}  # fmt: skip
    for h in chart["overview"]["hinges"]:
        found[h["text"]] = (h["at"][0] + 9, h["at"][1] + h["dy"] + 4, 0.0, LETTER_PX)
    for i, n in enumerate(chart["overview"]["names"]):
        found[f"{n['text']}{i * ' '}"] = (*n["at"], 0.5, LETTER_PX)
    for i, d in enumerate(chart["details"]):
        found[f"{d['name']}{(2 + i) * ' '}"] = (d["x"], d["y"], 0.0, STRONG_PX)
    out = {}
    for text, (x, y, share, letter) in found.items():
        width = letter * len(text.strip())
        out[text] = (x - share * width, y - 11.0, x + (1 - share) * width, y + 3.0)
    return out


LONG = [
    {"name": "left lower second molar, buccal cusp", "tooth": 37, "point_mm": [50.0, 25.0, -35.0]},
    {"name": "the lower left first incisor's edge", "tooth": 31, "point_mm": [57.0, 0.0, -35.0]},
]


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"left_anterior_mm": 0.0, "right_anterior_mm": 0.0},
        {"left_superior_mm": 12.0, "right_superior_mm": 12.0},
        {"departure_mm": 0.0},
        {"departure_mm": 9.0},
    ],
)
@pytest.mark.parametrize("landmarks", [None, LONG])
def test_no_text_of_the_arcs_meets_another_or_leaves_the_drawing(changes, landmarks):
    """Also where the axes coincide, and where the two landmarks are near or have long names."""
    session = Session(landmarks_only(**({"landmarks": landmarks} if landmarks else {})))
    for control, value in changes.items():
        session.change(control, value)
    chart = arcs_chart(session.reading, 10, ARCS_BOX)
    found = boxes(chart)
    for text, (a, b, c, d) in found.items():
        assert a >= 0.0, text
        assert c <= ARCS_BOX[0], text
        assert b >= 0.0, text
        for other, (e, f, g, h) in found.items():
            assert text == other or c <= e or g <= a or d <= f or h <= b, (text, other)


def test_the_landmark_of_the_headline_is_named_in_the_scene(demo_case_path):
    session = Session(read_case(demo_case_path))
    always = None
    for control, value in [("left_superior_mm", -3.0), ("left_superior_mm", 14.0),
                           ("right_superior_mm", -14.0)]:  # fmt: skip
        session.change(control, value)
        labels = [x for x in scene_state(session.reading, 1)["labels"] if x["layer"] == "landmarks"]
        named = [x["text"] for x in labels if x["worst"]]
        assert named == [numbers_state(session.reading)["at"]]
        others = {x["text"] for x in labels}
        kept = set(ends(session.reading.landmarks_record_mm))
        stay = {session.reading.landmarks.names[i] for i in kept}
        assert others == stay | set(named)  # the others do not jump while a slider moves
        assert always is None or always == stay
        always = stay
    session.change("departure_mm", 0.0)
    labels = scene_state(session.reading, 1)["labels"]
    assert not any(x.get("worst") for x in labels)


def test_the_record_pose_opens_the_lower_from_the_target(demo):
    scene = scene_state(demo, 1)
    move = matrix(scene["record"]) @ np.linalg.inv(matrix(scene["target"]))
    expected = opening_motion(demo.true_axis, demo.true_closing_deg).as_matrix()
    assert np.allclose(move, expected, atol=1e-9)
