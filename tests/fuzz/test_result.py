"""Any accepted case gives a result that is strict JSON and from which the errors follow."""

from __future__ import annotations

import json
import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.base.to_json import to_json
from kinematics.case.read import case_from_dict, case_to_dict
from kinematics.result import result_dict
from tests.makers.cases import landmarks_only
from viewer.report.outputs import landmarks_csv

OFFSETS = st.floats(-15.0, 15.0)
NAMES = st.text(
    st.characters(exclude_categories=["C", "Z"], exclude_characters="<>"), min_size=1, max_size=12
)


@st.composite
def cases(draw: st.DrawFn) -> dict:
    data = case_to_dict(landmarks_only())
    for key in data["arbitrary_axis"]:
        data["arbitrary_axis"][key] = draw(OFFSETS)
    data["label"] = draw(NAMES)
    data["record"] = {"thickness_mm": draw(st.floats(0.1, 12.0)), "site": "incisors"}
    data["target"] = draw(
        st.sampled_from([{"as_scanned": True}, {"opening_deg": 2.5}])
        | st.floats(-3.0, 6.0).map(lambda v: {"vdo_change_mm": v, "site": "incisors"})
    )
    names = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
    data["landmarks"] = [{"name": "incisal", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]}] + [
        {"name": n, "point_mm": [draw(st.floats(20, 100)), draw(st.floats(-40, 40)), -35.0]}
        for n in names
        if n != "incisal"
    ]
    return data


def turned(points, axis, closing_deg):
    """Points after closing about an axis: a right-handed turn about right to left opens."""
    left, right = (np.array(axis[f"{side}_point_mm"]) for side in ("left", "right"))
    along = (left - right) / np.linalg.norm(left - right)
    turn = Rotation.from_rotvec(-math.radians(closing_deg) * along)
    return turn.apply(points - left) + left


@settings(max_examples=25)
@given(cases())
def test_result_is_strict_json_from_which_the_errors_follow(data):
    try:
        a = assess(case_from_dict(data))
    except InputError:
        return
    text = json.dumps(result_dict(a), allow_nan=False, ensure_ascii=False)
    result = json.loads(text)
    assert json.loads(json.dumps(result)) == result
    assert result["label"] == data["label"]
    given_names = [m["name"] for m in data["landmarks"]]  # an incisal point may be added
    assert [m["name"] for m in result["landmarks"]][: len(given_names)] == given_names
    record = np.array([m["record_mm"] for m in result["landmarks"]])
    for stop in a.stops:
        true = turned(record, result["true_axis"], result["angles_deg"]["true"][stop])
        assert np.allclose(true, [m["true_mm"][stop] for m in result["landmarks"]], atol=1e-9)
        moved = turned(record, result["arbitrary_axis"], result["angles_deg"][stop])
        errors = [m["error_mm"][stop] for m in result["landmarks"]]
        assert np.allclose(moved - true, errors, atol=1e-9)
    assert landmarks_csv(a).count("\n") >= 1 + len(result["landmarks"])


@given(
    st.recursive(st.floats(), lambda inner: st.lists(inner, min_size=2, max_size=2), max_leaves=1)
)
def test_numbers_that_json_lacks_become_null(value):
    got = to_json(np.array(value))
    assert json.loads(json.dumps(got, allow_nan=False)) == got
    assert to_json(math.nan) is None
    assert to_json(-math.inf) is None
