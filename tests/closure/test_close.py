"""Casts that stand open although they were said to be scanned in intercuspation."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kinematics.assessment import assess
from kinematics.case.read import case_from_dict, case_to_dict
from kinematics.closure.close import OPEN_AS_SCANNED_MM, open_as_scanned
from kinematics.closure.place import place
from kinematics.inspection import inspect_case
from tests.makers.cases import closed_pair, landmarks_only, open_pair


def blocks(folder, gap_mm, **casts):
    """Two blocks with level faces ``gap_mm`` apart; the lower's front edge is the first to meet."""
    for name, length, z in (("upper", 60.0, -25.0), ("lower", 50.0, -35.0 - gap_mm)):
        box = trimesh.creation.box((length, 60.0, 10.0))
        box.apply_translation([45.0 + length / 2, 0.0, z])
        box.export(folder / f"{name}.stl")
    data = case_to_dict(landmarks_only())
    data["casts"] = {"upper": "upper.stl", "lower": "lower.stl", **casts}
    data["mounting"] = {"method": "matrix", "axis_orbital_from_upper_scan": np.eye(4).tolist()}
    data["landmarks"] = [
        {"name": "incisal point", "tooth": 31, "point_mm": [95.0, 0.0, -30.0 - gap_mm]}
    ]
    if casts:
        data["record"] = {"as_scanned": True}
    return case_from_dict(data, folder=folder)


def told(case):
    return [f for f in inspect_case(case).findings if f.where == "casts.scanned_at"]


@pytest.mark.parametrize(("gap_mm", "warned"), [(0.45, False), (0.56, True), (4.0, True)])
def test_casts_open_in_intercuspation_are_warned_of_by_the_gap_at_the_incisors(
    gap_mm, warned, tmp_path
):
    """By hand: the incisal point lies on the front edge, which rises by the gap to meet."""
    assert 0.45 < OPEN_AS_SCANNED_MM < 0.56
    case = blocks(tmp_path, gap_mm)
    found = told(case)
    assert len(found) == warned
    for finding in found:
        assert finding.level == "warning"
        assert f"after closing {gap_mm:.1f} mm at the incisors" in finding.message
        assert "scanned_at = 'record'" in finding.fix
        assert "register the scans" in finding.fix
    assert [f for f in assess(case).findings if f.where == "casts.scanned_at"] == found


def test_casts_open_in_the_record_are_as_they_should_be(tmp_path):
    assert told(blocks(tmp_path, 4.0, scanned_at="record")) == []


def test_without_casts_nothing_stands_open():
    assert open_as_scanned(place(landmarks_only())) == []


def test_real_scans_open_and_closed(scans):
    """The open pair meets at 4.412162 deg about its condyles (README); the closed one overlaps."""
    case = open_pair(scans)
    intercuspation = case.casts.model_copy(update={"scanned_at": "intercuspation"})
    (finding,) = told(case.model_copy(update={"casts": intercuspation}))
    assert "(4.41 degrees about the true axis)" in finding.message
    assert told(case) == []
    assert told(closed_pair(scans)) == []
