"""The command line as a user meets it: good runs, and one clear line for each bad input."""

import json
import os
import re
import stat
import subprocess
import sys

import numpy as np
import pytest
import tomlkit
import trimesh

from kinematics.case.read import case_to_dict
from tests import REPO
from tests.makers.cases import landmarks_only, open_pair
from viewer.command.cli import main


def write(folder, data, name="case.toml"):
    path = folder / name
    path.write_text(tomlkit.dumps(data))
    return path


def plain(folder, **changes):
    return write(folder, {**case_to_dict(landmarks_only()), **changes})


def block(folder, name, z, size=(50.0, 60.0, 10.0)):
    """A cast-sized box in axis_orbital, centred ahead of the axis at height z."""
    box = trimesh.creation.box(size)
    box.apply_translation([70.0, 0.0, z])
    box.export(folder / name)
    return name


def boxes(folder, *, upper_z=-25.0, lower_z=-45.0, **changes):
    """A case of two boxes as casts."""
    data = case_to_dict(landmarks_only())
    data["casts"] = {
        "upper": block(folder, "upper.stl", upper_z),
        "lower": block(folder, "lower.stl", lower_z),
    }
    data["mounting"] = {"method": "matrix", "axis_orbital_from_upper_scan": np.eye(4).tolist()}
    data["landmarks"] = [
        {"name": "incisal point", "tooth": 31, "point_mm": [95.0, 0.0, lower_z + 5]}
    ]
    data.update(changes)
    return write(folder, data)


def refused(capsys, *words, args):
    """Run; it must end with code 2, one error line that holds the words, and no traceback."""
    code = main([str(a) for a in args])
    out, err = capsys.readouterr()
    text = " ".join((out + err).split())
    assert code == 2, text
    assert "Traceback" not in text
    for word in words:
        assert word in text
    return text


def assess_refused(capsys, tmp_path, case, *words):
    out = tmp_path / "out"
    text = refused(capsys, *words, args=["assess", case, "-o", out, "--no-pictures"])
    assert not out.exists(), "something was left behind"
    return text


def test_assess_writes_everything_and_prints_the_answer(tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["assess", str(plain(tmp_path)), "-o", str(out), "--no-pictures"]) == 0
    text = capsys.readouterr().out
    result = json.loads((out / "result.json").read_text())
    assert result["schema"] == "hingewise-result/2"
    assert " ".join(result["decision"]["sentence"].split()) in " ".join(text.split())
    assert "not a medical device" in " ".join(text.split())
    names = {p.name for p in out.iterdir()}
    assert {"result.json", "landmarks.csv", "report.html"} <= names
    assert not [n for n in names if n.startswith(".")]


def test_printed_numbers_have_a_true_minus_and_no_signed_zero(tmp_path, capsys):
    assert main(["assess", str(plain(tmp_path)), "-o", str(tmp_path / "o"), "--no-pictures"]) == 0
    text = capsys.readouterr().out
    assert re.search(r"−\d", text)
    assert not re.search(r"(?<!\w)-\d", text.partition("wrote")[0])
    assert not re.search(r"[+−]0(\.0+)?(?![.\d])", text)


def test_json_prints_the_result_and_nothing_else(tmp_path, capsys):
    out = tmp_path / "out"
    args = ["assess", str(plain(tmp_path)), "-o", str(out), "--no-pictures", "--json"]
    assert main(args) == 0
    printed = json.loads(capsys.readouterr().out)
    assert printed == json.loads((out / "result.json").read_text())


def test_quiet_prints_nothing(tmp_path, capsys):
    args = ["assess", str(plain(tmp_path)), "-o", str(tmp_path / "o"), "--no-pictures", "--quiet"]
    assert main(args) == 0
    assert capsys.readouterr() == ("", "")


def test_the_real_open_pair_runs_through_the_command(scans, tmp_path):
    data = case_to_dict(open_pair(scans))
    out = tmp_path / "out"
    done = subprocess.run(
        [sys.executable, "-m", "viewer.command.cli", "assess", write(tmp_path, data), "-o", out],
        capture_output=True,
        text=True,
        cwd=REPO,
    )
    assert done.returncode == 0, done.stderr
    result = json.loads((out / "result.json").read_text())
    assert result["angles_deg"]["true"]["contact"] == pytest.approx(4.412162, abs=1e-6)


def test_inspect_says_ready(tmp_path, capsys):
    assert main(["inspect", str(boxes(tmp_path))]) == 0
    assert "Ready to assess" in capsys.readouterr().out


def test_inspect_json_lists_health(tmp_path, capsys):
    assert main(["inspect", str(boxes(tmp_path)), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["meshes"]["upper"]["watertight"] is True
    assert found["overlap_mm"] == 0


def test_inspect_says_how_deep_scans_interpenetrate(tmp_path, capsys):
    case = boxes(tmp_path, upper_z=-25.0, lower_z=-34.8)
    assert main(["inspect", str(case), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    # By hand: the flat faces overlap by 0.2 mm and part last at the back edge, x = 45 mm
    assert found["clearing_opening_deg"] == pytest.approx(np.degrees(0.2 / 45.0), rel=0.02)
    assert 0.05 < found["overlap_mm"] < 0.3


@pytest.mark.parametrize("job", ["assess", "inspect"])
def test_a_missing_case_is_named(job, tmp_path, capsys):
    args = [job, tmp_path / "absent.toml"]
    if job == "assess":
        args += ["-o", tmp_path / "out"]
    refused(capsys, "absent.toml", "no such file", args=args)


def test_an_unreadable_case_is_refused(tmp_path, capsys):
    (tmp_path / "case.toml").write_bytes(b"\xff\xfe\x00 not text")
    assess_refused(capsys, tmp_path, tmp_path / "case.toml", "not UTF-8")


def test_an_unknown_key_gets_its_nearest_neighbour(tmp_path, capsys):
    case = plain(tmp_path, decision={"tolerence_mm": 0.3})
    assess_refused(capsys, tmp_path, case, "decision.tolerence_mm", "tolerance_mm")


def test_nan_is_refused_by_field(tmp_path, capsys):
    case = plain(tmp_path, decision={"tolerance_mm": float("nan")})
    assess_refused(capsys, tmp_path, case, "decision.tolerance_mm", "nan")


@pytest.mark.parametrize(("y", "words"), [(0.0, "apart"), (1000.0, "apart")])
def test_axis_points_equal_or_two_metres_apart_are_refused(tmp_path, capsys, y, words):
    points = {"left_point_mm": [0, y, 0], "right_point_mm": [0, -y, 0], "frame": "axis_orbital"}
    case = plain(tmp_path, arbitrary_axis=points)
    assess_refused(capsys, tmp_path, case, "arbitrary_axis", words, "300 mm")


def test_an_axis_through_the_casts_is_refused(tmp_path, capsys):
    points = {
        "left_point_mm": [60, 55, -30],
        "right_point_mm": [60, -55, -30],
        "frame": "axis_orbital",
    }
    case = boxes(tmp_path, arbitrary_axis=points)
    assess_refused(capsys, tmp_path, case, "arbitrary_axis", "cast")


def test_a_record_thicker_than_hinge_opening_is_warned_about(tmp_path, capsys):
    case = plain(tmp_path, record={"thickness_mm": 22.0, "site": "incisors"})
    assert main(["assess", str(case), "-o", str(tmp_path / "o"), "--no-pictures"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "warning record.thickness_mm" in text


BAD_MESHES = {
    "empty": b"",
    "text": b"<html>not a mesh</html>",
    "one triangle": b"solid x\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\n"
    b"vertex 0 1 0\nendloop\nendfacet\nendsolid x\n",
    "degenerate": b"solid x\n"
    + 5
    * b"facet normal 0 0 1\nouter loop\nvertex 1 2 3\nvertex 1 2 3\nvertex 1 2 3\n"
    b"endloop\nendfacet\n" + b"endsolid x\n",
    "nan": b"solid x\n"
    + 5
    * b"facet normal 0 0 1\nouter loop\nvertex 1 nan 3\nvertex 1 5 3\nvertex 4 2 3\n"
    b"endloop\nendfacet\n" + b"endsolid x\n",
}


@pytest.mark.parametrize("kind", BAD_MESHES)
def test_a_mesh_that_is_none_is_refused_by_file(kind, tmp_path, capsys):
    case = boxes(tmp_path)
    (tmp_path / "lower.stl").write_bytes(BAD_MESHES[kind])
    assess_refused(capsys, tmp_path, case, "lower.stl")


def test_a_missing_mesh_is_named(tmp_path, capsys):
    case = boxes(tmp_path)
    (tmp_path / "upper.stl").unlink()
    assess_refused(capsys, tmp_path, case, "upper.stl")


@pytest.mark.parametrize(("scale", "unit"), [(0.001, "m"), (1 / 25.4, "inch"), (0.1, "cm")])
def test_a_mesh_of_an_impossible_size_is_refused_with_the_unit_that_fits(
    scale, unit, tmp_path, capsys
):
    case = boxes(tmp_path)
    for name in ("upper.stl", "lower.stl"):
        mesh = trimesh.load(tmp_path / name)
        mesh.apply_scale(scale)
        mesh.export(tmp_path / name)
    fix = f'The file looks like {unit}: set unit = "{unit}" if that is right.'
    refused(capsys, "error upper.stl: unit", fix, "Not ready", args=["inspect", case])
    assess_refused(capsys, tmp_path, case, "upper.stl: unit", fix)


def test_swapped_casts_are_refused(tmp_path, capsys):
    case = boxes(tmp_path, upper_z=-45.0, lower_z=-25.0)
    assess_refused(capsys, tmp_path, case, "Exchange the two")


def test_casts_that_never_meet_are_said_so(tmp_path, capsys):
    case = boxes(tmp_path)
    shifted = trimesh.load(tmp_path / "lower.stl")
    shifted.apply_translation([0.0, 90.0, 0.0])
    shifted.export(tmp_path / "lower.stl")
    assert main(["assess", str(case), "-o", str(tmp_path / "o"), "--no-pictures"]) == 0
    assert "never meet" in " ".join(capsys.readouterr().out.split())


def test_casts_that_never_meet_cannot_be_closed_to_contact(tmp_path, capsys):
    case = boxes(tmp_path, target={"first_contact": True})
    shifted = trimesh.load(tmp_path / "lower.stl")
    shifted.apply_translation([0.0, 90.0, 0.0])
    shifted.export(tmp_path / "lower.stl")
    assess_refused(capsys, tmp_path, case, "target.first_contact", "never meet")


def test_casts_that_interpenetrate_at_the_record_are_warned_about(tmp_path, capsys):
    case = boxes(tmp_path, lower_z=-34.0, record={"as_scanned": True}, target={"opening_deg": -1.0})
    assert main(["assess", str(case), "-o", str(tmp_path / "o"), "--no-pictures"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "interpenetrate at the record pose" in text
    assert "contact is not available" in text


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes anywhere: the rights are not enforced")
def test_a_folder_without_write_permission_is_refused(tmp_path, capsys):
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(stat.S_IRUSR | stat.S_IXUSR)
    refused(
        capsys,
        "cannot be written",
        args=["assess", plain(tmp_path), "-o", locked / "out", "--no-pictures"],
    )


def test_a_file_in_place_of_the_folder_is_refused(tmp_path, capsys):
    (tmp_path / "out").write_text("mine")
    refused(
        capsys,
        "a folder",
        args=["assess", plain(tmp_path), "-o", tmp_path / "out", "--no-pictures"],
    )
    assert (tmp_path / "out").read_text() == "mine"


@pytest.mark.parametrize("label", ["<script>alert(1)</script>", "bell\x07", "two\nlines"])
def test_html_and_control_characters_in_the_label_are_refused_or_shown_as_text(
    label, tmp_path, capsys
):
    case = plain(tmp_path, label=label)
    code = main(["assess", str(case), "-o", str(tmp_path / "o"), "--no-pictures"])
    out, err = capsys.readouterr()
    if code == 2:
        assert "label" in err
        assert not (tmp_path / "o").exists()
    else:
        report = (tmp_path / "o" / "report.html").read_text()
        assert label not in report
        assert "\x07" not in out


def test_start_writes_a_case_that_reads_and_refuses_to_overwrite(tmp_path, capsys):
    assert main(["start", str(tmp_path / "new"), "--mounting", "none"]) == 0
    assert main(["inspect", str(tmp_path / "new" / "case.toml")]) == 0
    capsys.readouterr()
    refused(capsys, "--force", args=["start", tmp_path / "new", "--mounting", "none"])
    refused(capsys, "axis_points", args=["start", tmp_path / "n", "--mounting", "axis_point"])


def test_the_help_of_start_names_every_choice():
    from kinematics.case.template import MEASUREMENTS, MOUNTINGS
    from viewer.command.cli import MEASUREMENT_NAMES, MOUNTING_NAMES

    assert ", ".join(MOUNTINGS) == MOUNTING_NAMES
    assert ", ".join(MEASUREMENTS) == MEASUREMENT_NAMES


def test_start_asks_what_was_measured(tmp_path, monkeypatch):
    from viewer.command.start import ask

    answers = iter(["9", "x", "4", "y", "", "n", "", "", "", "", "Y"])
    mounting, have = ask(lambda question: next(answers))
    assert mounting == "distances"
    assert have == ["located_axis", "uncertainty"]


def test_our_own_fault_ends_with_one_and_says_so(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("kinematics.assessment.assess", lambda *a, **k: 1 / 0)
    code = main(["assess", str(plain(tmp_path)), "-o", str(tmp_path / "o")])
    err = capsys.readouterr().err
    assert code == 1
    assert "our fault" in err
    assert "Traceback" not in err


def test_help_and_version_end_with_zero_and_carry_the_caution(capsys):
    with pytest.raises(SystemExit) as end:
        main(["--help"])
    assert end.value.code == 0
    assert "not a medical device" in " ".join(capsys.readouterr().out.split())
    with pytest.raises(SystemExit) as end:
        main(["--version"])
    assert end.value.code == 0


def test_an_unknown_command_ends_with_two():
    with pytest.raises(SystemExit) as end:
        main(["asess"])
    assert end.value.code == 2


def test_the_command_alone_prints_its_help(capsys):
    assert main([]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert "usage: hingewise" in out
    for job in ("assess", "view", "inspect", "start", "sweep", "demo"):
        assert job in out


@pytest.mark.parametrize("job", ["assess", "inspect", "view"])
def test_a_study_given_for_a_case_is_sent_to_sweep(job, tmp_path, capsys):
    plain(tmp_path)
    file = write(tmp_path, {"schema": "hingewise-study/1", "case": "case.toml"}, "study.toml")
    args = [job, file, *(["-o", tmp_path / "out"] if job == "assess" else [])]
    words = "got a study file ('hingewise-study/1'), need a case file"
    refused(capsys, "study.toml: schema", words, "hingewise sweep takes this file.", args=args)


def test_a_case_given_for_a_study_is_sent_to_assess(tmp_path, capsys):
    args = ["sweep", plain(tmp_path), "-o", tmp_path / "rows"]
    words = "got a case file ('hingewise-case/1'), need a study file ('hingewise-study/1')"
    commands = "hingewise assess, inspect and view take this file."
    refused(capsys, "case.toml: schema", words, commands, args=args)


def test_start_tells_a_facebow_user_what_to_take(tmp_path, capsys):
    from kinematics.case.template import MOUNTINGS

    args = ["start", tmp_path / "n", "--mounting", "facebow"]
    text = refused(capsys, "mounting: got 'facebow'", args=args)
    for name, words in MOUNTINGS.items():
        assert f"{name}: {words}" in text
    assert [name for name, words in MOUNTINGS.items() if "facebow" in words] == [
        "axis_points",
        "distances",
    ]
    args = ["start", tmp_path / "n", "--mounting", "average", "--have", "facebow"]
    refused(capsys, "third_point: the third reference point", args=args)
