"""Refusals and warnings that stand in no other test: each names the field and what is wrong."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest

from kinematics.articulator.instrument import ArticulatorSettings, build_articulator, raised
from kinematics.base.errors import HingewiseError, InputError
from kinematics.case.read import case_from_dict, set_field, write_case
from kinematics.case.remarks import findings
from kinematics.casts.cast import Cast
from kinematics.casts.formats import PARSERS
from kinematics.contact.hierarchy import build_hierarchy
from kinematics.inspection import inspect_case
from kinematics.sweep.study import study_from_dict
from tests.makers.cases import landmarks_only

TIP = [130.0, 0.0, -35.0]
POINTS = [
    {"name": "a", "tooth": 31, "upper_scan_mm": [0.0, 0.0, 0.0]},
    {"name": "b", "tooth": 37, "upper_scan_mm": [-40.0, 25.0, 0.0]},
    {"name": "c", "tooth": 47, "upper_scan_mm": [-40.0, -25.0, 0.0]},
]


AXIS_POINTS = {
    "method": "axis_points",
    "left_point_mm": [-80.0, 55.0, 30.0],
    "right_point_mm": [-80.0, -55.0, 30.0],
    "third_point_mm": [-10.0, 30.0, 45.0],
}


SKEW = {
    "left_anterior_mm": 30.0,
    "left_superior_mm": 0.0,
    "right_anterior_mm": -30.0,
    "right_superior_mm": 0.0,
}
SCAN = {"kind": "protrusive", "file": "scan.ply"}


def caliper(**reading: object) -> dict[str, object]:
    return {
        "method": "distances",
        "points": POINTS,
        "readings": [
            {"kind": "distance", "from": "left_axis_point", "to": "a", "mm": 9.0} | reading
        ],
    }


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"mounting": caliper(to=None)}, "to", "kind = 'distance' needs to"),
        ({"mounting": caliper(of="b")}, "of", "no of with kind = 'distance'"),
        ({"mounting": caliper(mm=0.0)}, "mm", "a distance above 0"),
        ({"mounting": caliper(to="left_axis_point")}, "to", "two different points"),
        ({"mounting": caliper(to="d")}, "readings", "'d'"),
        (
            {"mounting": caliper() | {"points": [{**POINTS[0], "name": "left_axis_point"}]}},
            "points",
            "a name of your own",
        ),
        (
            {"mounting": {"method": "average", "incisal_point_mm": [0.0, 0.0, 0.0]}},
            "left_molar_point_mm",
            "all three points or none",
        ),
        ({"casts": {"upper": "u.ply", "lower": "l.ply"}}, "mounting", "no [mounting]"),
        ({"landmarks": [{"name": "a", "tooth": 31, "point_mm": [1.0, 2.0]}]}, "point_mm", "3 num"),
        ({"pin": {"tip_mm": [1.0, 2.0, 3.0, 4.0]}}, "pin.tip_mm", "3 numbers"),
        ({"pin": 7}, "pin", "Write [pin]"),
        (
            {
                "mounting": {
                    **AXIS_POINTS,
                    "axis": "arbitrary",
                    "left_point_mm": [0.0, 20.0, 0.0],
                    "right_point_mm": [0.0, -20.0, 0.0],
                },
                "true_axis": None,
                "arbitrary_axis": SKEW,
            },
            "arbitrary_axis",
            "offsets that differ by 60 mm between left and right",
        ),
        (
            {"articulator": {"records": [SCAN] * 4}},
            "articulator.records",
            "got 4 entries, need at most 3",
        ),
        ({"articulator": {"records": SCAN}}, "articulator.records", "[[articulator.records]]"),
        ({"articulator": {"records": ["x"]}}, "records.0", "Write [[articulator.records]]"),
        (
            {"mounting": {"method": "fiducials", "fiducials": []}},
            "mounting.fiducials",
            "got 0 entries, need at least 3",
        ),
    ],
)
def test_a_case_that_cannot_be_meant_names_the_field(changes, field, words):
    changes = {k: _without_none(v) for k, v in changes.items()}
    with pytest.raises(InputError) as caught:
        landmarks_only(**changes)
    assert field in caught.value.where
    assert words in str(caught.value)


def _without_none(value):
    if isinstance(value, dict):
        return {k: _without_none(v) for k, v in value.items() if v is not None}
    return [_without_none(v) for v in value] if isinstance(value, list) else value


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"record": {"opening_deg": 16.0}, "target": {"as_scanned": True}}, "record"),
        ({"record": {"opening_deg": -1.0}, "target": {"as_scanned": True}}, "record"),
        ({"record": {"opening_deg": 2.0}, "target": {"opening_deg": 2.0}}, "target"),
        ({"true_axis": {"width_mm": 60.0}}, "true_axis.width_mm"),
    ],
)
def test_a_value_that_is_possible_but_unusual_is_remarked(changes, words):
    usual = {(f.where, f.message) for f in findings(landmarks_only())}
    found = [f for f in findings(landmarks_only(**changes)) if (f.where, f.message) not in usual]
    assert any(words in f.where for f in found), found
    assert all(f.fix for f in found)


def test_a_case_nested_without_end_is_refused():
    deep: list = []
    for _ in range(100_000):
        deep = [deep]
    with pytest.raises(HingewiseError):
        case_from_dict({"schema": "hingewise-case/1", "label": "x", "landmarks": deep})


def test_a_number_too_long_to_print_is_refused():
    with pytest.raises(InputError, match="too large to show"):
        landmarks_only(label=10**5000)


def test_setting_one_coordinate_of_a_default_point_keeps_the_others():
    case = landmarks_only()
    field = "landmarks.0.point_mm.2"
    assert set_field(case, field, -30.0).landmarks[0].point_mm == (90.0, 0.0, -30.0)


def test_an_articulator_is_raised_only_once():
    once = raised(build_articulator(ArticulatorSettings(), TIP), 2.0)
    with pytest.raises(InputError, match="already raised"):
        raised(once, 1.0)


ROW = "0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n"
VERTEX = "element vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
FACE = "element face 1\nproperty list uchar int vertex_indices\n"


def ply(form: str = "format ascii 1.0\n", header: str = VERTEX + FACE, body: str = ROW) -> bytes:
    return f"ply\n{form}{header}end_header\n{body}".encode()


@pytest.mark.parametrize(
    ("kind", "data", "words"),
    [
        ("ply", ply(form=""), "without a known format"),
        (
            "ply",
            ply(header=VERTEX + VERTEX + FACE, body="0 0 0\n" * 6 + "3 0 1 2\n"),
            "one element twice",
        ),
        ("ply", ply(header=VERTEX.replace("float z", "float y") + FACE), "one property twice"),
        ("ply", ply(header=VERTEX.replace("float z", "float w") + FACE), "no vertices with x, y"),
        ("ply", ply(header=VERTEX, body="0 0 0\n1 0 0\n0 1 0\n"), "no faces"),
        ("ply", ply(header=VERTEX + FACE + "element\n"), "header"),
        ("ply", ply(header=VERTEX.replace("3", "-3", 1) + FACE), "'-3' elements"),
        ("ply", ply(header=VERTEX.replace("3", "99999", 1) + FACE), "99999 elements"),
        ("ply", ply(body="0 0 0\n1 0 0\n0 1 0\n2 0 1\n"), "fewer than three corners"),
        ("ply", ply(body=ROW + "7\n"), "more numbers"),
        ("ply", ply(body="0 0 0\n1 0 0\n0 1 0\n"), "fewer"),
        ("ply", ply(body=""), "fewer"),
        (
            "ply",
            ply(header=VERTEX + FACE.replace("int", "float"), body=ROW.replace("1 2\n", "1.5 2\n")),
            "not whole numbers",
        ),
        ("off", b"OFF\n3\n", "no counts"),
        ("off", b"OFF\n9999 1 0\n0 0 0\n", "whose counts do not fit"),
        ("off", b"OFF\n3 1 0\n0 0 0\n1 0 0\n", "fewer vertices"),
        ("off", b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n2 0 1\n", "fewer faces"),
        ("obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2\n", "cannot be read"),
        ("obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 99999999999999999999\n", "name no vertex"),
        ("obj", b"v 0 0 " + b"0" * 100_001 + b"\n", "a line of more than"),
        ("obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 9\n", "outside 0 to 2"),
    ],
)
def test_a_broken_mesh_file_is_refused_by_what_is_wrong(kind, data, words):
    with pytest.raises(InputError) as caught:
        PARSERS[f".{kind}"](data, Path(f"a.{kind}"))
    assert words in str(caught.value)
    assert caught.value.file == f"a.{kind}"


def test_ragged_faces_line_continuations_and_negative_numbers_are_read():
    header = VERTEX.replace("3", "4", 1) + FACE.replace("1", "2", 1)
    body = struct.pack("<12f", 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0)
    body += struct.pack("<B4iB3i", 4, 0, 1, 2, 3, 3, 0, 1, 3)
    data = ply("format binary_little_endian 1.0\n", header, "") + body
    _, faces, _ = PARSERS[".ply"](data, Path("a.ply"))
    assert faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 3]]
    with pytest.raises(InputError, match="fewer rows"):
        PARSERS[".ply"](data[:-1], Path("a.ply"))
    _, faces, _ = PARSERS[".obj"](b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 \\\n-2 -1\n", Path("a.obj"))
    assert faces.tolist() == [[0, 1, 2]]


def test_a_mesh_is_written_with_free_names_and_one_value_a_vertex_only(tmp_path):
    cast = Cast("lower", np.eye(3), np.array([[0, 1, 2]]), np.zeros(3, np.int16))
    for name in ("x", "tooth", "High", "a b"):
        with pytest.raises(ValueError, match="free property name"):
            cast.write(tmp_path / "a.ply", {name: np.zeros(3)})
    with pytest.raises(ValueError, match="one value a vertex"):
        cast.write(tmp_path / "a.ply", {"high_um": np.zeros(2)})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("vertices", "faces", "words"),
    [
        (np.eye(3), np.zeros((0, 3), int), "at least one face"),
        (np.eye(3), [[0, 1, 3]], "vertex numbers 0 to 3"),
        (np.full((3, 3), np.nan), [[0, 1, 2]], "finite coordinates"),
    ],
)
def test_a_cast_that_cannot_meet_another_is_refused(vertices, faces, words):
    with pytest.raises(InputError, match=words) as caught:
        build_hierarchy(vertices, faces, "lower cast")
    assert caught.value.where == "lower cast"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"case": 7}, "the name of a case file"),
        ({"excursions": "yes"}, "true or false"),
        ({"first_contact": 1}, "true or false"),
        ({"first_contact": True}, "a first contact without casts"),
        ({"landmarks": "all"}, "a list of names"),
        ({"vary": []}, "vary"),
        ({"vary": [7]}, "a table"),
        ({"vary": [{"low": 1.0}]}, "a dotted name"),
        ({"vary": [{"field": "record.thickness_mm", "values": []}]}, "a list of numbers"),
        (
            {"vary": [{"field": "record.thickness_mm", "low": 1.0, "high": 2.0, "steps": 3}]},
            "no steps outside a grid",
        ),
    ],
)
def test_a_study_that_cannot_be_meant_is_refused(changes, words, tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    study = {
        "schema": "hingewise-study/1",
        "case": "case.toml",
        "samples": 4,
        "vary": [{"field": "record.thickness_mm", "low": 1.0, "high": 2.0}],
    }
    with pytest.raises(InputError) as caught:
        study_from_dict(study | changes, folder=tmp_path)
    assert words in str(caught.value)


def test_an_inspection_goes_on_where_an_assessment_would_stop():
    lost = inspect_case(
        landmarks_only(
            casts={"upper": "none.ply", "lower": "none.ply"}, mounting=AXIS_POINTS, true_axis=None
        )
    )
    (error,) = [f for f in lost.findings if f.level == "error"]
    assert error.where.endswith("none.ply: file")
