"""The output folder: complete, atomic, and the same numbers everywhere."""

from __future__ import annotations

import csv
import io
import json
import os
import stat

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.casts.cast import load_cast
from tests.makers.small_assessment import hand_assessment
from viewer.report import outputs
from viewer.report.sections import RISK_NAMES
from viewer.scene import render as draw

RISK = [outputs.EXTRA_FILES[name] for name in RISK_NAMES]
EXTRA = {*outputs.EXTRA_FILES.values(), *outputs.TOOTH_FILES.values(), "lower_clearance.ply"}
WITH_3D = [n for n in outputs.OUTPUT_FILES if n not in EXTRA or n in RISK]
NO_3D = [n for n in WITH_3D if n not in outputs.PLATE_FILES.values()]


@pytest.fixture(scope="module")
def assessment():
    return hand_assessment()


def names(folder):
    return sorted(p.name for p in folder.iterdir())


def test_everything_is_written_and_nothing_else_is_left(assessment, tmp_path):
    out = tmp_path / "new" / "folder"
    told = []
    written = outputs.write_outputs(
        assessment, out, pictures=False, progress=lambda stage, share: told.append(share)
    )
    assert [p.name for p in written] == NO_3D
    assert names(out) == sorted(NO_3D)
    assert told == sorted(told)
    assert told[-1] == 1.0
    text = (out / "report.html").read_text(encoding="utf-8")
    assert "left out on request" in text
    assert len(text) < 6e6


@pytest.mark.render
def test_pictures_come_in_both_themes_inside_the_report(assessment, tmp_path):
    status = draw.probe_gl()
    if not status.ok:
        pytest.skip(f"OPENGL ABSENT, the picture files were not checked: {status.reason}")
    written = outputs.write_outputs(assessment, tmp_path)
    assert [p.name for p in written] == WITH_3D
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert text.count("data:image/png;base64,") == 2 * len(outputs.PLATE_FILES)
    assert len(text) < 6e6
    for name in outputs.PLATE_FILES.values():
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")


def test_without_opengl_the_report_comes_and_names_the_packages(assessment, tmp_path, monkeypatch):
    draw.probe_gl.cache_clear()
    monkeypatch.setenv("HINGEWISE_NO_GL", "1")
    try:
        outputs.write_outputs(assessment, tmp_path)
    finally:
        draw.probe_gl.cache_clear()
    assert names(tmp_path) == sorted(NO_3D)
    assert "apt install libegl1" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_without_casts_no_mesh_is_written_and_the_report_says_why(tmp_path):
    outputs.write_outputs(hand_assessment(meshes=False), tmp_path)
    assert not (tmp_path / "lower_error_map.ply").exists()
    assert "the case has no casts" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_result_json_landmarks_csv_and_mesh_tell_the_same_numbers(assessment, tmp_path):
    outputs.write_outputs(assessment, tmp_path, pictures=False)
    result = json.loads((tmp_path / "result.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO((tmp_path / "landmarks.csv").read_text("utf-8"))))
    assert [r["name"] for r in rows] == [m["name"] for m in result["landmarks"]]
    for row, mark in zip(rows, result["landmarks"]):
        for stop in assessment.stops:
            for k, c in enumerate("xyz"):
                value = float(row[f"{stop}_error_{c}_mm"])
                assert value == pytest.approx(mark["error_mm"][stop][k], abs=5.1e-7)
            high = float(row[f"{stop}_high_mm"])
            assert high == pytest.approx(mark["normal_error_mm"][stop], abs=5.1e-7)
    cast, _ = load_cast(tmp_path / "lower_error_map.ply", "lower")
    np.testing.assert_allclose(
        cast.vertices_mm, assessment.closures.lower_target.vertices_mm, atol=1e-9
    )
    np.testing.assert_array_equal(cast.tooth, assessment.closures.lower_target.tooth)
    head = (tmp_path / "lower_error_map.ply").read_bytes()[:900]
    for stop in assessment.stops:
        assert f"property float high_{stop}_um".encode() in head


def test_names_that_a_spreadsheet_would_run_are_disarmed():
    marks = [{"name": "=1+2", "tooth": 41, "point_mm": [90.0, 0.0, -36.0]}]
    text = outputs.landmarks_csv(hand_assessment(meshes=False, landmarks=marks))
    assert "\n'=1+2,41," in text


@pytest.mark.parametrize(
    "broken", ["kinematics.casts.cast.write_ply", "viewer.report.page.render_report"]
)
def test_a_failure_half_way_leaves_the_old_files_and_no_new_ones(
    assessment, tmp_path, monkeypatch, broken
):
    old = tmp_path / "result.json"
    old.write_text("old")

    def fail(*args, **kwargs):
        raise KeyError("half way")

    monkeypatch.setattr(broken, fail)
    with pytest.raises(KeyError):
        outputs.write_outputs(assessment, tmp_path, pictures=False)
    assert names(tmp_path) == ["result.json"]
    assert old.read_text() == "old"


def test_a_failure_leaves_no_new_folder(assessment, tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise KeyError("half way")

    monkeypatch.setattr("viewer.report.page.render_report", fail)
    with pytest.raises(KeyError):
        outputs.write_outputs(assessment, tmp_path / "new", pictures=False)
    assert names(tmp_path) == []


def test_a_full_disk_is_an_input_error(assessment, tmp_path, monkeypatch):
    def fail(*args, **kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("viewer.report.page.render_report", fail)
    with pytest.raises(InputError, match="no space left on the disk"):
        outputs.write_outputs(assessment, tmp_path, pictures=False)
    assert names(tmp_path) == []


def test_pictures_of_an_earlier_run_are_removed_and_foreign_files_stay(assessment, tmp_path):
    (tmp_path / "casts_and_axes.png").write_bytes(b"earlier case")
    (tmp_path / "notes.txt").write_text("mine")
    outputs.write_outputs(assessment, tmp_path, pictures=False)
    assert names(tmp_path) == sorted([*NO_3D, "notes.txt"])


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("a file")
    for path in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(InputError, match="which is a file"):
            outputs.check_folder(path)


def test_a_folder_without_permission_is_refused_before_any_work(tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        if os.access(closed, os.W_OK):
            pytest.skip("RUNS AS ROOT: permissions do not bind here, the refusal was not checked")
        with pytest.raises(InputError, match="no permission"):
            outputs.check_folder(closed / "out")
    finally:
        closed.chmod(stat.S_IRWXU)


def test_no_permission_is_refused_with_a_next_step(tmp_path, monkeypatch):
    monkeypatch.setattr(outputs.os, "access", lambda path, mode: False)
    with pytest.raises(InputError, match="Name another folder") as caught:
        outputs.check_folder(tmp_path / "out")
    assert caught.value.where == "--out"
    assert names(tmp_path) == []


def test_paths_that_no_system_takes_are_input_errors(assessment, tmp_path):
    with pytest.raises(InputError, match="null character"):
        outputs.check_folder("nul\0byte")
    with pytest.raises(InputError, match="name"):
        outputs.write_outputs(assessment, tmp_path / ("x" * 300), pictures=False)
