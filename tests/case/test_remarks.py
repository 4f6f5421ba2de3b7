"""Remarks on plans and records that are possible and easily typed by mistake."""

from __future__ import annotations

import tomllib

import pytest

from kinematics.case.read import case_from_dict
from kinematics.case.remarks import findings
from kinematics.case.template import MOUNTINGS, template
from tests.makers.cases import landmarks_only
from viewer.command.recording_sheet import recording_sheet_html


def remarks(case, where):
    return [f for f in findings(case) if f.where == where]


def scanned_in_the_record(mm):
    data = tomllib.loads(template("axis_points", {"located_axis", "scanned_at_record"}))
    data["target"]["vdo_change_mm"] = mm
    return case_from_dict(data)


@pytest.mark.parametrize(
    ("mm", "level", "way"), [(3.0, "warning", "open"), (-2.0, "note", "closed"), (0.0, None, "")]
)
def test_a_change_counted_from_the_record_is_told_in_words(mm, level, way):
    found = remarks(scanned_in_the_record(mm), "target.vdo_change_mm")
    assert len(found) == (level is not None)
    for finding in found:
        assert finding.level == level
        assert finding.message == (
            f"the target is {abs(mm):.1f} mm more {way} than the record pose, since the casts "
            "were scanned in it"
        )
        assert "vdo_change_mm = -2.0" in finding.fix


def test_the_forms_say_that_the_record_is_what_counts():
    scanned = template("axis_points", {"scanned_at_record"})
    assert "[target]                               # one form only; from the record pose" in scanned
    assert "vdo_change_mm = -2.0                   # planned raise less the record" in scanned
    assert "from the scanned pose, raise positive\nvdo_change_mm = 2.0\n" in template("matrix")
    assert "Openings are counted from the record" in recording_sheet_html(
        "axis_points", {"scanned_at_record"}
    )
    assert "counted from the scanned pose" in recording_sheet_html("none", {"scanned_at_record"})


@pytest.mark.parametrize(
    ("mm", "noted"), [(0.3, True), (0.49, True), (0.5, False), (1.5, False), (3.0, False)]
)
def test_a_very_thin_record_is_noted(mm, noted):
    case = landmarks_only(record={"thickness_mm": mm, "site": "incisors"})
    found = remarks(case, "record.thickness_mm")
    assert [f.level for f in found] == ["note"] * noted
    assert all("common practice, no source" in f.message for f in found)


@pytest.mark.parametrize(("mm", "noted"), [(-1.0, True), (-0.1, True), (0.0, False), (0.1, False)])
def test_a_lowering_of_the_vertical_dimension_is_noted(mm, noted):
    case = landmarks_only(target={"vdo_change_mm": mm, "site": "incisors"})
    found = remarks(case, "target.vdo_change_mm")
    assert [f.level for f in found] == ["note"] * noted
    for finding in found:
        assert f"a lowering of {-mm:g} mm" in finding.message
        assert "common practice, no source" in finding.message


@pytest.mark.parametrize("kind", list(MOUNTINGS))
@pytest.mark.parametrize("measured", [(), ("located_axis",), ("located_axis", "uncertainty")])
def test_the_form_takes_a_located_axis_for_uncertain_unless_recordings_tell(kind, measured):
    text = template(kind, measured)
    table = tomllib.loads(text).get("uncertainty")
    if table is None:
        assert measured == ("located_axis",)
    elif kind == "located_axis":
        assert "true_axis_sd_mm" not in table
        assert "# true_axis_sd_mm is not used" in text
    else:
        assert table["true_axis_sd_mm"] == 1.0
        assert case_from_dict(tomllib.loads(text)).uncertainty.true_axis_sd_mm == 1.0
