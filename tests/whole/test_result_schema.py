"""The published layout of result.json, held against what is written."""

from __future__ import annotations

import copy
import json
import tomllib

import jsonschema
import pytest

from kinematics.assessment import assess
from kinematics.case.read import case_from_dict
from kinematics.case.template import template
from kinematics.result import RESULT_SCHEMA, SCHEMA, result_dict
from tests.makers.cases import landmarks_only

LAYOUT = json.loads(RESULT_SCHEMA.read_text("utf-8"))


def faults(result):
    return [e.message for e in jsonschema.Draft202012Validator(LAYOUT).iter_errors(result)]


def strict(assessment):
    return json.loads(json.dumps(result_dict(assessment), allow_nan=False))


def test_the_layout_is_a_schema_of_its_own_name():
    jsonschema.Draft202012Validator.check_schema(LAYOUT)
    assert LAYOUT["title"] == SCHEMA


def test_the_demo_is_written_in_the_published_layout(demo_assessment):
    result = strict(demo_assessment)
    assert result["uncertainty"] is not None
    assert result["excursions"] is not None
    assert faults(result) == []


@pytest.mark.parametrize(
    "measured",
    [
        ("located_axis",),
        ("marks", "third_point", "pin"),
        ("located_axis", "articulator"),
        ("located_axis", "uncertainty"),
    ],
)
def test_a_case_without_casts_is_written_in_the_published_layout(measured):
    case = case_from_dict(tomllib.loads(template("none", measured)))
    assert faults(strict(assess(case))) == []


def test_another_layout_is_noticed():
    result = strict(assess(landmarks_only()))
    assert faults(result) == []
    for change in (
        lambda r: r.pop("decision"),
        lambda r: r["decision"].pop("ways_out"),
        lambda r: r["landmarks"][0].update(error=1.0),
        lambda r: r["departure"].update(incisors_mm="3.0"),
        lambda r: r.update(schema="hingewise-result/1"),
    ):
        other = copy.deepcopy(result)
        change(other)
        assert faults(other)
