"""What a case's values are warned of and refused for, at the ends of their ranges."""

import tomllib

import pytest

from kinematics.case.read import case_from_dict, set_field
from kinematics.case.remarks import findings
from tests.case.test_read import TEXT, refused


@pytest.fixture
def data():
    return tomllib.loads(TEXT)


def test_label_that_looks_like_a_name_or_date_is_warned_of(data):
    for label, what in (
        ("Jane Doe", ["looks like a person's name"]),
        ("b. 1970-01-02", ["looks like a date"]),
        ("case 17", []),
    ):
        data["label"] = label
        found = findings(case_from_dict(data))
        assert [f.message for f in found if f.where == "label"] == what


@pytest.mark.parametrize(
    ("dotted", "value", "warned"),
    [
        ("record.thickness_mm", 20.0, False),  # Posselt 1957, page 1 (READ): up to 20 mm
        ("record.thickness_mm", 20.5, True),
        ("target.vdo_change_mm", 5.0, False),  # Abduo & Lyons 2012 (READ): 5 mm at most
        ("target.vdo_change_mm", 5.5, True),
        ("decision.tolerance_mm", 0.05, True),
        ("arbitrary_axis.left_anterior_mm", 16.0, True),
    ],
)
def test_unusual_values_are_warned_of(data, dotted, value, warned):
    case = set_field(case_from_dict(data), dotted, value)
    assert (dotted in [f.where for f in findings(case)]) is warned


@pytest.mark.parametrize(
    ("change", "where", "words"),
    [
        ({"true_axis": {"width_mm": 85.2}}, None, ""),  # published_values.md section 4 (READ)
        ({"true_axis": {"width_mm": 85.1}}, "true_axis.width_mm", "published 85.2 to 124.7 mm"),
        ({"true_axis": {"width_mm": 124.7}}, None, ""),
        ({"true_axis": {"width_mm": 124.8}}, "true_axis.width_mm", "124.8 mm is unusual"),
        ({"record": {"opening_deg": 13.0}}, None, ""),
        ({"record": {"opening_deg": 13.5}}, "record.opening_deg", "beyond pure hinge opening"),
        ({"target": {"opening_deg": 13.5}}, "target.opening_deg", "beyond pure hinge opening"),
        ({"record": {"opening_deg": 0.0}}, None, ""),
        ({"record": {"opening_deg": -0.5}}, "record.opening_deg", "closed beyond"),
        ({"record": {"as_scanned": True}}, "record.as_scanned", "the intercuspation"),
        ({"record": {"opening_deg": 2.0}, "target": {"opening_deg": 2.0}}, "target", "departure 0"),
        ({"record": {"opening_deg": 2.0}, "target": {"opening_deg": 1.0}}, None, ""),
    ],
)
def test_only_what_is_unusual_is_warned_of_and_in_words(data, change, where, words):
    data["mounting"] = {"method": "average"}
    case = case_from_dict(data | {"true_axis": {"width_mm": 110.0}} | change)
    found = findings(case)
    assert [f.where for f in found] == ([] if where is None else [where])
    assert all(words in f.message for f in found)


@pytest.mark.parametrize("tooth", [31, 32, 41, 42, 71, 72, 81, 82])
def test_without_casts_a_lower_incisor_s_landmark_is_the_site_of_the_incisors(data, tooth):
    del data["casts"]
    data["landmarks"][0]["tooth"] = tooth
    assert case_from_dict(data).record.site == "incisors"
    for other in (11, 33, 43, 51, 73):
        data["landmarks"][0]["tooth"] = other
        refused(data, "record.site: got 'incisors'")


@pytest.mark.parametrize("site", ["a", "pine", "tooth"])
def test_without_casts_a_site_is_the_pin_or_a_landmark(data, site):
    del data["casts"]
    data["record"]["site"] = data["target"]["site"] = "pin"
    assert case_from_dict(data).record.site == "pin"
    data["record"]["site"] = site
    for tooth in (36, 31):
        data["landmarks"][0]["tooth"] = tooth
        refused(data, f"record.site: got '{site}', need 'pin' or a landmark")


@pytest.mark.parametrize(("apart_mm", "accepted"), [(34.6, True), (34.7, False)])
def test_offsets_leave_the_true_points_20_mm_apart(data, apart_mm, accepted):
    """Arbitrary points 40 mm apart: true ones sqrt(40^2 - 34.64^2) = 20 mm."""
    data["mounting"] |= {"left_point_mm": [0, 20, 0], "right_point_mm": [0, -20, 0]}
    data["mounting"]["axis"] = "arbitrary"
    half = apart_mm / 2.0
    data["arbitrary_axis"] = {
        "left_anterior_mm": half,
        "right_anterior_mm": -half,
        "left_superior_mm": 0.0,
        "right_superior_mm": 0.0,
    }
    if accepted:
        assert case_from_dict(data).arbitrary_axis.left_anterior_mm == half
    else:
        refused(data, "arbitrary_axis: got offsets that differ by 34.7 mm")


def test_a_long_value_is_shown_by_its_beginning(data):
    for length, shown in ((58, f"got '{58 * 'y'}', need"), (59, f"got '{56 * 'y'}..., need")):
        data["decision"]["stop"] = length * "y"
        refused(data, shown)
