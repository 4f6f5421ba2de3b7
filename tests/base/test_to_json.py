"""Records as JSON: every kind of value by hand, and what JSON has no number for."""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform

from kinematics.base.to_json import form, to_json


@dataclass(frozen=True)
class Inner:
    name: str
    size_mm: float


@dataclass(frozen=True, eq=False)
class Outer:
    inner: Inner
    points_mm: np.ndarray
    counts: tuple[int, ...]

    def json_form(self):
        return form(self, "counts", told="inner") | {"sum": sum(self.counts)}


def test_a_record_is_its_fields_and_a_form_of_its_own_goes_before():
    outer = Outer(Inner("a", float("inf")), np.array([[1.0, np.nan]]), (1, 2))
    told = to_json({"outer": outer, 7: None, "yes": np.bool_(True)})
    assert told == {
        "outer": {
            "told": {"name": "a", "size_mm": None},
            "points_mm": [[1.0, None]],
            "sum": 3,
        },
        "7": None,
        "yes": True,
    }
    json.dumps(told, allow_nan=False)


def test_whole_numbers_stay_whole_and_motions_are_matrices():
    assert repr(to_json(np.arange(2))) == "[0, 1]"
    assert repr(to_json(np.float64(2.0))) == "2.0"
    assert to_json(RigidTransform.from_translation([1.0, 2.0, 3.0]))[0] == [1.0, 0.0, 0.0, 1.0]


def test_what_json_cannot_hold_is_refused():
    with pytest.raises(TypeError, match="set"):
        to_json({"a": {1}})
