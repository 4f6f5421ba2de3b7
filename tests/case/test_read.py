import copy
import math
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from kinematics.base.errors import InputError
from kinematics.base.teeth import is_tooth, tooth_side
from kinematics.case.fields import as_rigid
from kinematics.case.read import (
    case_from_dict,
    case_to_dict,
    numeric_fields,
    read_case,
    set_field,
    write_case,
)
from tests.makers.cases import landmarks_only

TEXT = """
schema = "hingewise-case/1"
label = "case 17"
[casts]
upper = "upper.ply"
lower = "casts/lower.ply"
[mounting]
method = "axis_points"
left_point_mm = [0, 55, 0]
right_point_mm = [0.0, -55.0, 0.0]
third_point_mm = [80.0, 0.0, 0.0]
[arbitrary_axis]
left_anterior_mm = 4
left_superior_mm = -3.0
right_anterior_mm = 5.5
right_superior_mm = -1.0
[record]
thickness_mm = 3.0
site = "incisors"
[target]
vdo_change_mm = 2.0
site = "incisors"
[pin]
tip_mm = [130.0, 0.0, -35.0]
[decision]
tolerance_mm = 0.3
stop = "pin"
[[landmarks]]
name = "36 mesiobuccal cusp"
tooth = 36
point_mm = [1.0, 2.0, 3.0]
"""


@pytest.fixture
def data():
    return tomllib.loads(TEXT)


def refused(data, *parts):
    with pytest.raises(InputError) as caught:
        case_from_dict(data, file="a.toml")
    text = str(caught.value)
    assert text.startswith("a.toml: ")
    for part in parts:
        assert part in text
    return text


def test_attributes_are_the_keys_of_the_file(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text(TEXT)
    case = read_case(path)
    assert case.arbitrary_axis.left_anterior_mm == 4.0
    assert case.mounting.left_point_mm == (0.0, 55.0, 0.0)
    assert case.record.site == "incisors"
    assert case.landmarks[0].tooth == 36
    assert case.folder == tmp_path
    assert case.cast_path("lower") == (tmp_path / "casts" / "lower.ply").resolve()


def test_writing_and_reading_gives_the_same_case_and_leaves_no_other_file(tmp_path, data):
    case = case_from_dict(data, folder=tmp_path)
    write_case(case, tmp_path / "b.toml")
    assert [p.name for p in tmp_path.iterdir()] == ["b.toml"]
    again = read_case(tmp_path / "b.toml")
    assert case_to_dict(again) == case_to_dict(case)
    assert again == case


def test_case_cannot_be_changed_in_place(data):
    case = case_from_dict(data)
    with pytest.raises(ValueError, match="frozen"):
        case.decision.tolerance_mm = 1.0


@pytest.mark.parametrize(
    ("table", "key", "near"),
    [
        (None, "labl", "label"),
        ("casts", "uper", "upper"),
        ("mounting", "left_pint_mm", "left_point_mm"),
        ("decision", "tolerance", "tolerance_mm"),
        ("arbitrary_axis", "left_anterior", "left_anterior_mm"),
    ],
)
def test_unknown_key_names_the_nearest_valid_one(data, table, key, near):
    (data if table is None else data[table])[key] = 1.0
    where = key if table is None else f"{table}.{key}"
    refused(data, f"{where}: got an unknown key", f"Did you mean '{near}'?")


def test_unknown_key_inside_a_list_names_the_nearest_valid_one(data):
    data["landmarks"][0]["toth"] = 36
    refused(data, "landmarks.0.toth", "Did you mean 'tooth'?")
    data["mounting"] = {"method": "fiducials", "fiducials": [{"name": "a", "upper_scan_m": [1]}]}
    refused(data, "mounting.fiducials.0.upper_scan_m", "Did you mean 'upper_scan_mm'?")


def test_an_error_says_what_to_add_and_how_many_more_problems_follow(data):
    lower = data["casts"].pop("lower")
    refused(data, "casts.lower: got nothing, need a value. Add the key 'lower'.")
    data["casts"] |= {"lower": lower, "a": 1}
    assert refused(data, "casts.a").endswith("Remove it.")
    data["casts"]["b"] = 2
    refused(data, "Remove it. (1 more problem after this.)")
    data["casts"]["c"] = 3
    refused(data, "Remove it. (2 more problems after this.)")


BAD = {
    "mounting.method": ("axispoints", "Did you mean 'axis_points'?"),
    "mounting.left_point_mm": ([0.0, 2000.0, 0.0], "unit"),
    "mounting.right_point_mm": ([0.0, 55.0, 0.0], "axis points 0 mm apart"),
    "mounting.third_point_mm": ([5.0, 0.0, 0.0], "at least 20 mm"),
    "decision.stop": ("pins", "Did you mean 'pin'?"),
    "decision.tolerance_mm": (0.0, "greater than 0"),
    "record.thickness_mm": (-1.0, "greater than 0"),
    "landmarks.0.tooth": (49, "ISO 3950"),
    "landmarks.0.name": ("a\x1b[31m", "U+001B"),
    "label": ("<script>alert(1)</script>", "<"),
    "casts.upper": ("../upper.ply", "allow_outside"),
    "casts.unit": ("inches", "Did you mean 'inch'?"),
    "casts.allow_outside": ("maybe", "need a valid boolean"),
    "casts": (3, "a table"),
    "schema": ("hingewise-case/2", "hingewise-case/1"),
}


@pytest.mark.parametrize("dotted", list(BAD))
def test_bad_value_is_refused_at_its_field(data, dotted):
    value, part = BAD[dotted]
    here = data
    *parents, last = dotted.split(".")
    for key in parents:
        here = here[int(key)] if isinstance(here, list) else here[key]
    here[last] = value
    text = refused(data, part)
    if dotted != "mounting.right_point_mm":  # named after the pair's first point
        assert f"a.toml: {dotted}: got" in text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, True, "4", None])
def test_offset_must_be_a_finite_number(data, value):
    data["arbitrary_axis"]["left_anterior_mm"] = value
    refused(data, "arbitrary_axis")


@pytest.mark.parametrize("label", ["", "   ", "x" * 81, "a\nb", "a\u202eb", "a\x00"])
def test_label_with_nothing_too_much_or_hidden_characters_is_refused(data, label):
    data["label"] = label
    refused(data, "label")


def test_record_and_target_take_exactly_one_form(data):
    data["record"]["opening_deg"] = 2.0
    refused(data, "record: got thickness_mm and opening_deg")
    data["record"] = {}
    refused(data, "record: got none of them")
    data["record"] = {"opening_deg": 2.0, "site": "pin"}
    refused(data, "record.site")
    data["record"] = {"thickness_mm": 2.0}
    refused(data, "record.site")


def test_an_opening_of_zero_counts_as_given(data):
    data["target"] = {"opening_deg": 0.0}
    assert case_from_dict(data).target.opening_deg == 0.0


def test_scan_at_the_record_needs_the_record_as_scanned(data):
    data["casts"]["scanned_at"] = "record"
    refused(data, "record", "as_scanned")
    data["record"] = {"as_scanned": True}
    assert case_from_dict(data).record.as_scanned


def test_arbitrary_axis_takes_exactly_one_form(data):
    data["arbitrary_axis"]["frame"] = "upper_scan"
    refused(data, "arbitrary_axis.frame", "both forms")
    del data["arbitrary_axis"]["frame"], data["arbitrary_axis"]["left_superior_mm"]
    refused(data, "arbitrary_axis.left_superior_mm")
    del data["arbitrary_axis"]
    refused(data, "arbitrary_axis", "[marks]")


def test_width_is_needed_where_the_mounting_does_not_give_it(data):
    data["true_axis"] = {"width_mm": 110.0}
    refused(data, "true_axis", "axis_points")
    data["mounting"] = {"method": "average"}
    assert case_from_dict(data).true_axis.width_mm == 110.0
    del data["true_axis"]
    refused(data, "true_axis", "width_mm")


def test_case_without_casts_needs_landmarks_and_sites_that_exist(data):
    del data["casts"]
    refused(data, "record.site", "lower incisor")
    data["record"]["site"] = data["target"]["site"] = "36 mesiobuccal cusp"
    assert case_from_dict(data).cast_path("upper") is None
    del data["landmarks"]
    refused(data, "landmarks")


def test_same_landmark_name_twice_is_refused(data):
    data["landmarks"] *= 2
    refused(data, "landmarks.1.name", "twice")


def test_absolute_path_needs_permission(data, tmp_path):
    data["casts"]["upper"] = str(tmp_path / "u.ply")
    refused(data, "casts.upper")
    data["casts"]["allow_outside"] = True
    assert case_from_dict(data).cast_path("upper") == (tmp_path / "u.ply").resolve()


def test_link_that_leads_out_of_the_folder_is_refused(data, tmp_path):
    (tmp_path / "inside").mkdir()
    (tmp_path / "inside" / "upper.ply").symlink_to(tmp_path / "secret.ply")
    with pytest.raises(InputError, match=r"casts.upper"):
        case_from_dict(data, folder=tmp_path / "inside")


def _matrix(turn, shift=(1.0, 2.0, 3.0)):
    m = np.eye(4)
    m[:3, :3], m[:3, 3] = turn, shift
    return m


@pytest.mark.parametrize(
    ("matrix", "part"),
    [
        (_matrix(np.diag([-1.0, 1.0, 1.0])), "reflection"),
        (_matrix(10 * np.eye(3)), "scales by 10"),
        (_matrix(np.diag([1.0, 1.01, 1.0])), "shears or stretches"),
        (_matrix(np.eye(3)).T, "transposed"),
        (_matrix(np.eye(3))[:3], "4 rows"),
        (_matrix(np.eye(3))[:, :3], "4 rows"),
    ],
)
def test_matrix_that_is_not_rigid_is_refused(data, matrix, part):
    data["casts"]["upper_scan_from_lower_scan"] = matrix.tolist()
    refused(data, "casts.upper_scan_from_lower_scan", part)


@pytest.mark.parametrize(("bend", "accepted"), [(0.5e-6, True), (0.0, True), (4e-6, False)])
def test_matrix_is_rigid_within_one_millionth(data, bend, accepted):
    turn = Rotation.from_euler("xyz", [10, 20, 30], degrees=True).as_matrix()
    turn = turn @ np.diag([1.0, 1.0 + bend / 2, 1.0])
    data["casts"]["upper_scan_from_lower_scan"] = _matrix(turn).tolist()
    if accepted:
        rigid = as_rigid(case_from_dict(data).casts.upper_scan_from_lower_scan)
        assert np.allclose(rigid.translation, [1, 2, 3])
    else:
        refused(data, "casts.upper_scan_from_lower_scan")


def test_unreadable_files_are_refused_by_name(tmp_path):
    for name, content, part in (
        ("missing.toml", None, "no such file"),
        ("broken.toml", b"a = [", "not TOML"),
        ("binary.toml", b"\xff\xfe\x00", "UTF-8"),
    ):
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(InputError, match=name) as caught:
            read_case(path)
        assert part in str(caught.value)
    with pytest.raises(InputError, match="a folder"):
        read_case(tmp_path)


def test_failed_write_leaves_nothing(tmp_path, data):
    case = case_from_dict(data)
    with pytest.raises(InputError, match="can be written"):
        write_case(case, tmp_path / "missing" / "a.toml")
    (tmp_path / "taken").mkdir()
    with pytest.raises(InputError):
        write_case(case, tmp_path / "taken")
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


def test_every_number_can_be_read_and_set_by_its_name(data):
    case = case_from_dict(data)
    for name, value in numeric_fields(case).items():
        if "upper_scan_from_lower_scan" in name:
            continue
        changed = set_field(case, name, value + 0.125)
        assert numeric_fields(changed)[name] == value + 0.125
        assert numeric_fields(case)[name] == value
        others = {k: v for k, v in numeric_fields(changed).items() if k != name}
        assert others == {k: v for k, v in numeric_fields(case).items() if k != name}


def test_number_of_an_absent_table_can_be_set(data):
    case = set_field(case_from_dict(data), "articulator.bennett_left_deg", 7.5)
    assert case.articulator.bennett_left_deg == 7.5
    moved = set_field(case, "casts.upper_scan_from_lower_scan.0.3", 1.5)
    there = np.array(moved.casts.upper_scan_from_lower_scan)
    np.testing.assert_array_equal(there, _matrix(np.eye(3), (1.5, 0.0, 0.0)))
    assert set_field(case, "uncertainty.seed", 3.0).uncertainty.seed == 3
    for value in (0.5, float("nan"), float("inf")):
        with pytest.raises(InputError, match=r"uncertainty\.seed"):
            set_field(case, "uncertainty.seed", value)


def test_unknown_or_refused_field_is_named(data):
    case = case_from_dict(data)
    with pytest.raises(InputError, match=r"arbitrary_axis\.left_anterior_mm"):
        set_field(case, "arbitrary_axis.left_anterior", 1.0)
    with pytest.raises(InputError, match=r"decision\.tolerance_mm"):
        set_field(case, "decision.tolerance", 1.0)
    with pytest.raises(InputError, match="greater than 0"):
        set_field(case, "decision.tolerance_mm", -1.0)


def test_permanent_and_deciduous_teeth_are_the_52_of_iso_3950():
    teeth = [n for n in range(100) if is_tooth(n)]
    assert len(teeth) == 32 + 20
    assert teeth[:8] == list(range(11, 19))
    assert teeth[-5:] == list(range(81, 86))


def test_quadrants_2_3_6_and_7_are_the_patients_left():
    for quadrant in range(1, 9):
        assert tooth_side(10 * quadrant + 3) == (1 if quadrant in (2, 3, 6, 7) else -1)


def test_uncertainty_forms_need_their_own_keys(data):
    data["uncertainty"] = {"arbitrary_axis": "normal", "sd_anterior_mm": 3.0}
    refused(data, "uncertainty.sd_superior_mm")
    data["uncertainty"] = {"arbitrary_axis": "disc", "radius_mm": 5.0, "file": "a.csv"}
    refused(data, "uncertainty.file")
    data["uncertainty"] = {"arbitrary_axis": "empirical", "file": "../a.csv"}
    refused(data, "uncertainty.file", "allow_outside")


MARKS = {
    "face_landmark": "tragus",
    **{
        f"{side}_{which}_{way}_mm": 1.0
        for side in ("left", "right")
        for which in ("arbitrary", "located")
        for way in ("anterior", "superior")
    },
    "facial_width_mm": 140.0,
}


def test_marks_replace_both_axes(data):
    data["marks"] = dict(MARKS)
    refused(data, "arbitrary_axis", "[marks]")
    del data["arbitrary_axis"]
    assert case_from_dict(data).marks.facial_width_mm == 140.0


@settings(max_examples=60, deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5) | st.integers(),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
        ),
        max_leaves=6,
    ),
    st.sampled_from(["label", "casts", "mounting", "record", "landmarks", "pin", "decision"]),
)
def test_anything_in_place_of_a_table_is_accepted_or_refused_by_name(value, table):
    data = copy.deepcopy(tomllib.loads(TEXT))
    data[table] = value
    try:
        case_from_dict(data)
    except InputError as error:
        assert error.where != "case"  # noqa: PT017


def test_offsets_are_needed_where_the_mounting_measured_the_arbitrary_points():
    with pytest.raises(InputError, match="the four offsets"):
        landmarks_only(
            casts={"upper": "u.ply", "lower": "l.ply"},
            true_axis=None,
            mounting={
                "method": "axis_points",
                "axis": "arbitrary",
                "left_point_mm": [-80.0, 55.0, 30.0],
                "right_point_mm": [-80.0, -55.0, 30.0],
                "third_point_mm": [-10.0, 30.0, 45.0],
            },
            arbitrary_axis={
                "left_point_mm": [5.0, 55.0, 0.0],
                "right_point_mm": [5.0, -55.0, 0.0],
                "frame": "axis_orbital",
            },
        )
