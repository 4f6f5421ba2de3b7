"""What a new user types by mistake, and the words that say what to do about it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import case_from_dict, case_to_dict, read_case
from kinematics.case.remarks import untouched
from kinematics.case.template import MOUNTINGS, template
from kinematics.casts.cast import load_cast
from kinematics.inspection import inspect_case
from kinematics.sweep.study import study_from_dict
from tests import SAMPLES
from tests.makers.cases import landmarks_only

TEXT = """\
schema = "hingewise-case/1"
label = "case 17"                # C3–5, a note with d’autres signs
[true_axis]
width_mm = 110.0
[arbitrary_axis]
left_anterior_mm = 4.0
left_superior_mm = -3.0
right_anterior_mm = 5.5
right_superior_mm = -1.0
[record]
thickness_mm = 3.0
site = "incisors"
[target]
vdo_change_mm = 2.0
site = "incisors"
[decision]
tolerance_mm = 0.1
[[landmarks]]
name = "incisal point"
tooth = 31
point_mm = [90.25, 0.5, -38.75]
"""
CASTS = """
[casts]
upper = "upper.ply"
lower = "lower.ply"
[mounting]
method = "axis_points"
left_point_mm = [-83.2, 52.4, 33.6]
right_point_mm = [-83.9, -51.8, 33.1]
third_point_mm = [-11.0, 30.0, 44.5]
"""
WITH_CASTS = TEXT.replace("[true_axis]\nwidth_mm = 110.0\n", "") + CASTS


def refusal(folder, text):
    path = folder / "case.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_case(path)
    return caught.value


SLIPS = {
    "decimal comma": (
        TEXT, "thickness_mm = 3.0", "thickness_mm = 3,25",
        "Is it a decimal comma? Write 3.25 with a point.",
    ),
    "decimal comma and sign": (
        TEXT, "left_superior_mm = -3.0", "left_superior_mm = -3,5  # mm",
        "Is it a decimal comma? Write -3.5 with a point.",
    ),
    "decimal comma in a point": (
        WITH_CASTS, "[-83.2, 52.4, 33.6]", "[-83,02, 52,4, 33,6]",
        "Is it a decimal comma? Write 83.02 with a point.",
    ),
    "minus": (
        TEXT, "left_superior_mm = -3.0", "left_superior_mm = −3.0",
        "The minus sign is not the keyboard's: type - instead.",
    ),
    "dash in a point": (
        WITH_CASTS, "[-83.2, 52.4", "[ – 83.2, 52.4",
        "The minus sign is not the keyboard's: type - instead.",
    ),
    "backslashes": (
        WITH_CASTS, '"upper.ply"', '"C:\\Users\\me\\upper.stl"',
        "Write the path with / instead of \\, or in single quotes.",
    ),
    "quotes": (
        TEXT, '"case 17"', "“case 17”",
        "The quotes are not the keyboard's: type \" instead.",
    ),
    "nothing usual": (TEXT, "tolerance_mm = 0.1", "tolerance_mm = 0.1.2", "Correct that place."),
}  # fmt: skip


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("slip", list(SLIPS))
def test_a_line_that_is_no_toml_gets_its_usual_cause(slip, ending, tmp_path):
    text, old, new, fix = SLIPS[slip]
    assert text.count(old) == 1
    error = refusal(tmp_path, text.replace(old, new).replace("\n", ending))
    assert "text that is not TOML" in error.got
    assert error.fix == fix


def test_a_fault_of_another_line_gets_no_hint(tmp_path):
    text = TEXT.replace("tolerance_mm = 0.1", "tolerance_mm = 0.1 0.2")
    assert refusal(tmp_path, text).fix == "Correct that place."
    assert refusal(tmp_path, TEXT + 'a = """C:\\\\').fix == "Correct that place."


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            "[-83.2, 52.4, 33.6]",
            "[-83,2, 52,4, 33,6]",
            "got 6 values, need 3 numbers. Are there decimal commas? Write -83.2, not -83,2.",
        ),
        (
            "[-83.2, 52.4, 33.6]",
            "[-83.2, 52,4, 33.6]",
            "got 4 values, need 3 numbers. Are there decimal commas? Write 52.4, not 52,4.",
        ),
        ("[-83.2, 52.4, 33.6]", "[1, 2, 3, 4]", "need 3 numbers. Remove what is too much."),
        ("[-83.2, 52.4, 33.6]", "[1.0, 2.0, 3.0, 4.0]", "Remove what is too much."),
        ('"upper.ply"', '"scans\\new\\table.ply"', "Write the path with / instead of \\, or in"),
        ('"upper.ply"', "'scans\\upper.ply'", "Write the path with / instead of \\."),
        ("= 4.0", '= "4,5"', "need a number. Write 4.5 without quotes."),
        ("= 4.0", '= "-4"', "need a number. Write -4 without quotes."),
        ("= 4.0", '= "about 4"', "need a number. Correct the value."),
        ("tolerance_mm = 0.1", "tolerance_mm = 100", "It is in mm: 100 µm is 0.1."),
        (
            '[target]\nvdo_change_mm = 2.0\nsite = "incisors"\n',
            "",
            "target: got nothing, need a table. Add the table [target] with, for example, "
            'vdo_change_mm = 2.0 and site = "incisors".',
        ),
        (
            '[record]\nthickness_mm = 3.0\nsite = "incisors"\n',
            "",
            "Add the table [record] with, for example, thickness_mm = 3.0",
        ),
    ],
)
def test_a_value_that_is_a_usual_slip_gets_its_cause(old, new, words, tmp_path):
    assert WITH_CASTS.count(old) == 1
    assert words in str(refusal(tmp_path, WITH_CASTS.replace(old, new)))


def test_the_examples_of_a_missing_table_are_a_case(tmp_path):
    """What the hint names is accepted as it is."""
    from kinematics.case.errors import TABLE_EXAMPLES

    for name, lines in TABLE_EXAMPLES.items():
        pattern = rf"\[{name}\]\n.*\n.*\n"
        text = re.sub(pattern, f"[{name}]\n" + lines.replace(" and ", "\n") + "\n", TEXT)
        (tmp_path / "case.toml").write_text(text, encoding="utf-8")
        assert read_case(tmp_path / "case.toml").label == "case 17"


@pytest.mark.parametrize(
    ("design", "fix"), [("lhs", "Choose one of them."), ("latin_hyper", "'latin_hypercube'")]
)
def test_a_design_gets_a_near_name_only_where_one_is_near(design, fix, tmp_path):
    (tmp_path / "case.toml").write_text(TEXT, encoding="utf-8")
    vary = [{"field": "record.thickness_mm", "low": 1.0, "high": 2.0}]
    study = {"schema": "hingewise-study/1", "case": "case.toml", "samples": 8, "vary": vary}
    with pytest.raises(InputError) as caught:
        study_from_dict(study | {"design": design}, folder=tmp_path)
    assert caught.value.allowed == "'grid', 'monte_carlo', 'sobol' or 'latin_hypercube'"
    assert fix in caught.value.fix


@pytest.mark.parametrize(
    ("table", "where", "words"),
    [
        ({"arbitrary_axis": "study", "study": "x"}, "uncertainty.study", "schallhorn_1957"),
        ({"arbitrary_axis": "empirical", "file": "none.csv"}, "none.csv: file", "no such file"),
    ],
)
def test_an_inspection_refuses_a_source_of_scatter_that_an_assessment_would(table, where, words):
    case = landmarks_only(uncertainty=table)
    (error,) = [f for f in inspect_case(case).findings if f.level == "error"]
    assert error.where.endswith(where)
    assert words in error.message


@pytest.mark.parametrize("kind", list(MOUNTINGS))
def test_an_untouched_form_is_told_by_its_points(kind, tmp_path):
    path = tmp_path / "case.toml"
    path.write_text(template(kind), encoding="utf-8")
    case = read_case(path)
    (finding,) = [f for f in inspect_case(case).findings if f.where == "case"]
    assert finding.level == ("note" if kind == "none" else "warning")
    assert finding.message.startswith("still the form's examples: ")
    named = finding.message.removeprefix("still the form's examples: ").split(", ")[0]
    data = case_to_dict(case)
    data["landmarks"][0]["point_mm"][0] += 0.1
    (again,) = untouched(case_from_dict(data))
    assert "landmarks.incisal point.point_mm" not in again.message
    assert named in again.message or kind in ("none", "matrix")


def test_points_of_ones_own_are_no_examples():
    assert untouched(landmarks_only(pin={"tip_mm": [130.0, 0.0, -35.5]})) == []
    (finding,) = untouched(landmarks_only())
    assert finding.message == "still the form's examples: pin.tip_mm"


def refused_casts(case):
    found = inspect_case(case).findings
    return [f for f in found if f.level == "error" and ("casts" in f.where or "ply" in f.where)]


def test_left_and_right_axis_points_exchanged_are_named_as_the_cause(tmp_path):
    """The demo's casts and axis, its points exchanged: with tooth numbers the files are right."""
    casts = [load_cast(SAMPLES / f"{arch}.ply", arch)[0] for arch in ("upper", "lower")]
    for cast in casts:
        cast.write(tmp_path / f"{cast.arch}.ply")
    swapped = WITH_CASTS.replace("left_point", "x").replace("right_point", "left_point")
    (tmp_path / "case.toml").write_text(swapped.replace("x_mm", "right_point_mm"), "utf-8")
    case = read_case(tmp_path / "case.toml")
    assert case_to_dict(case)["mounting"]["left_point_mm"][1] < 0.0
    errors = refused_casts(case)
    assert len(errors) == 3
    fix = "The tooth numbers fit the files: exchange the left and right points of the mounting"
    assert all(f.fix.startswith(fix) for f in errors)
    for cast in casts:
        replace(cast, tooth=np.zeros_like(cast.tooth)).write(tmp_path / f"{cast.arch}.ply")
    (error,) = refused_casts(case)
    assert error.fix.startswith("Exchange the two files, or the left and right points of the mou")
