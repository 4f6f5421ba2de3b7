"""Refusals and warnings that stand in no other test: each names the field and what is wrong."""

from __future__ import annotations

import pytest

from kinematics.articulator import ArticulatorSettings, build_articulator, raised
from kinematics.case import case_from_dict, set_field
from kinematics.errors import HingewiseError, InputError
from tests.cases import landmarks_only

TIP = [130.0, 0.0, -35.0]
POINTS = [
    {"name": "a", "tooth": 31, "upper_scan_mm": [0.0, 0.0, 0.0]},
    {"name": "b", "tooth": 37, "upper_scan_mm": [-40.0, 25.0, 0.0]},
    {"name": "c", "tooth": 47, "upper_scan_mm": [-40.0, -25.0, 0.0]},
]


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
    usual = {(f.where, f.message) for f in landmarks_only().findings()}
    found = [f for f in landmarks_only(**changes).findings() if (f.where, f.message) not in usual]
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
