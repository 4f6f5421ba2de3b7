"""Full disks, read-only folders and kills: one clear error, nothing half-written, flat memory."""

from __future__ import annotations

import contextlib
import gc
import json
import os
import resource
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.case.read import read_case, write_case
from kinematics.case.template import template
from kinematics.casts.cast import Cast
from kinematics.result import result_dict
from kinematics.sweep.run import run_sweep
from kinematics.sweep.store import parquet
from kinematics.sweep.study import read_study
from tests import REPO
from tests.makers.cases import landmarks_only
from viewer.app.export import export
from viewer.app.session import Session
from viewer.command.cli import main
from viewer.command.start import CASE_FILE, SHEET_FILE, start_case
from viewer.report.outputs import OUTPUT_FILES, STAGE_PREFIX
from viewer.scene import film as animation

ENV = os.environ | {"PYTHONPATH": str(REPO), "HINGEWISE_NO_GL": "1"}
STUDY = """schema = "hingewise-study/1"
case = "case.toml"
samples = 2000
chunk = 1000
[[vary]]
field = "arbitrary_axis.left_anterior_mm"
low = 0.0
high = 8.0
"""
COMMANDS = {
    "assess": ["assess", "case.toml", "-o", "{out}/new"],
    "start": ["start", "{out}/new"],
    "sweep": ["sweep", "study.toml", "-o", "{out}/new", "--workers", "1"],
}


@pytest.fixture
def inputs(tmp_path) -> Path:
    write_case(landmarks_only(), tmp_path / "case.toml")
    (tmp_path / "study.toml").write_text(STUDY)
    return tmp_path


def command(name: str, out: Path, cwd: Path, **more) -> subprocess.CompletedProcess[str]:
    words = [w.format(out=out) for w in COMMANDS[name]]
    return subprocess.run(
        [sys.executable, "-m", "viewer.command.cli", *words], capture_output=True, text=True,
        timeout=300, cwd=cwd, env=ENV, **more,
    )  # fmt: skip


@contextlib.contextmanager
def mounted(folder: Path, options: str) -> Iterator[Path]:
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)], capture_output=True,
        text=True,
    )  # fmt: skip
    if made.returncode:
        pytest.skip(f"NO MOUNT ALLOWED HERE, not tried on a real small disk: {made.stderr.strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    with mounted(tmp_path / "small", "size=4k") as folder:
        yield folder


@pytest.fixture
def read_only_disk(tmp_path) -> Iterator[Path]:
    with mounted(tmp_path / "locked", "ro") as folder:
        yield folder


def refused(done: subprocess.CompletedProcess[str]) -> None:
    assert done.returncode == 2, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("hingewise: error: ")
    assert "Traceback" not in done.stderr


@pytest.fixture
def here(inputs, monkeypatch, capsys) -> Callable[[str, Path], subprocess.CompletedProcess[str]]:
    """Like `command`, in this process: a start takes longer than what most of them do."""
    monkeypatch.chdir(inputs)
    monkeypatch.setenv("HINGEWISE_NO_GL", "1")

    def run(name: str, out: Path) -> subprocess.CompletedProcess[str]:
        words = [w.format(out=out) for w in COMMANDS[name]]
        capsys.readouterr()
        code = main(words)
        return subprocess.CompletedProcess(words, code, *capsys.readouterr())

    return run


@pytest.mark.parametrize("name", COMMANDS)
def test_a_full_disk_ends_with_2_and_one_line_and_leaves_whole_files_only(name, here, small_disk):
    refused(here(name, small_disk))
    whole = {"study.toml": STUDY} if name == "sweep" else {}
    for path in small_disk.rglob("*"):
        if path.is_file() and path.stat().st_size:
            assert path.read_text() == whole[path.name]


def message(work: Callable[[], object]) -> str | None:
    """The error's line, or None where the work was done."""
    try:
        work()
    except InputError as error:
        return str(error)
    return None


def test_start_writes_both_files_or_neither_on_a_disk_of_any_size(tmp_path):
    ends = set()
    for pages in range(1, 10):
        with mounted(tmp_path / f"disk{pages}", f"size={4 * pages}k") as folder:
            told = message(lambda to=folder: start_case(to / "new", "axis_points", []))
            there = {p.name for p in (folder / "new").glob("*")}
            if told:
                assert "no space left on the disk" in told
                assert there == set()
            else:
                assert there == {CASE_FILE, SHEET_FILE}
                assert (folder / "new" / CASE_FILE).read_text() == template("axis_points", [])
            ends.add(bool(told))
    assert ends == {True, False}


def test_start_goes_on_where_a_kill_left_the_case_alone_and_replaces_no_other_case(inputs, here):
    """The kills themselves, at each call of the system: tests/base/test_files.py."""
    new = inputs / "out" / "new"
    assert here("start", inputs / "out").returncode == 0
    pair = {p.name: p.read_bytes() for p in new.iterdir()}
    assert set(pair) == {CASE_FILE, SHEET_FILE}
    (new / SHEET_FILE).unlink()  # as a kill between the two leaves it
    assert here("start", inputs / "out").returncode == 0
    assert {p.name: p.read_bytes() for p in new.iterdir()} == pair
    refused(here("start", inputs / "out"))
    (new / SHEET_FILE).unlink()
    (new / CASE_FILE).write_bytes(pair[CASE_FILE].replace(b"0", b"1"))  # filled in
    refused(here("start", inputs / "out"))
    assert [p.name for p in new.iterdir()] == [CASE_FILE]


def test_a_sweep_on_disks_of_growing_size_keeps_whole_parts_and_goes_on(inputs):
    """The disk fills up at the study, the manifest, the first or the second part."""
    whole = read_study(inputs / "study.toml")
    text = (inputs / "study.toml").read_text()
    ends = set()
    for size in (8, 12, 40, 100, 160, 1000):
        with mounted(inputs / f"disk{size}", f"size={size}k") as folder:
            told = message(
                lambda to=folder: run_sweep(whole, to / "out", workers=1, study_text=text)
            )
            assert told is None or "no space left on the disk" in told or "GB free" in told
            ends.add("stopped" if told else "done")
            assert not list((folder / "out").glob(".*.tmp"))
            parts = sorted((folder / "out").glob("*.parquet"))
            ends.add(len(parts))
            for part in parts:
                assert parquet().read_table(part).num_rows == 1000
    assert {0, 2, "done", "stopped"} <= ends


@pytest.fixture
def reading(inputs):
    return Session(read_case(inputs / "case.toml")).reading


def written_by_export(kind: str, reading, folder: Path, monkeypatch) -> Path:
    frames = [np.full((64, 64, 3), i, np.uint8) for i in range(8)]
    monkeypatch.setattr(animation, "draw_frames", lambda *a: frames)
    if kind in ("gif", "mp4"):
        casts = SimpleNamespace(closures=SimpleNamespace(lower_target=1), upper=1)
        monkeypatch.setattr("viewer.app.session.complete", lambda *a, **k: casts)
    return export(reading, kind, folder, "light", "left", 10)


@pytest.mark.parametrize("kind", ["report", "all", "gif", "mp4"])
def test_an_export_on_a_full_or_locked_disk_is_one_error_and_leaves_nothing(
    kind, reading, small_disk, read_only_disk, monkeypatch
):
    (small_disk / "filled").write_bytes(b"x" * 4096)
    with pytest.raises(InputError, match=r"no space left on the disk"):
        written_by_export(kind, reading, small_disk, monkeypatch)
    assert [p.name for p in small_disk.iterdir()] == ["filled"]
    with pytest.raises(InputError, match=r"read-only file system"):
        written_by_export(kind, reading, read_only_disk, monkeypatch)


@pytest.mark.parametrize("kind", ["report", "all", "gif", "mp4"])
def test_an_export_is_whole_and_leaves_nothing_else(kind, reading, inputs, monkeypatch):
    out = inputs / "made"
    out.mkdir()
    path = written_by_export(kind, reading, out, monkeypatch)
    assert path.stat().st_size > 100
    assert list(out.iterdir()) == [path]


def test_saving_a_case_or_a_mesh_on_a_full_or_locked_disk(small_disk, read_only_disk):
    (small_disk / "filled").write_bytes(b"x" * 4096)
    cast = Cast("lower", np.eye(3), np.array([[0, 1, 2]]), np.zeros(3, np.int16))
    for folder, words in ((small_disk, "no space left"), (read_only_disk, "read-only")):
        with pytest.raises(InputError, match=words):
            write_case(landmarks_only(), folder / "case.toml")
        with pytest.raises(InputError, match=words):
            cast.write(folder / "cast.ply")
        assert {p.name for p in folder.iterdir()} <= {"filled"}


@pytest.mark.parametrize("name", COMMANDS)
def test_a_read_only_folder_ends_with_2_and_one_line(name, here, read_only_disk):
    refused(here(name, read_only_disk))


@pytest.mark.parametrize("name", ["assess", "start"])
def test_a_file_that_may_not_grow_leaves_nothing(name, inputs):
    """Like a full disk, for machines where nothing may be mounted: writing fails at 2 kB."""
    done = command(
        name, inputs / "out", inputs,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000)),
    )  # fmt: skip
    refused(done)
    assert [p for p in (inputs / "out").rglob("*") if p.is_file()] == []


LOOP = """
import sys
from kinematics.assessment import assess
from kinematics.case.read import read_case
from viewer.report.outputs import write_outputs
case = read_case(sys.argv[1])
two = [assess(case), assess(case.model_copy(update={"label": "another"}))]
write_outputs(two[0], sys.argv[2], pictures=False)
print("ready", flush=True)
while True:
    for a in reversed(two):
        write_outputs(a, sys.argv[2], pictures=False)
"""


@pytest.mark.parametrize("wait", [0.05, pytest.param(0.7, marks=pytest.mark.long)])
def test_kill_9_while_writing_leaves_whole_files_and_the_next_run_clears_up(wait, inputs):
    out = inputs / "out"
    process = subprocess.Popen(
        [sys.executable, "-c", LOOP, str(inputs / "case.toml"), str(out)],
        stdout=subprocess.PIPE, text=True, env=ENV,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    time.sleep(wait)
    process.send_signal(signal.SIGKILL)
    process.wait()
    if (out / "result.json").exists():
        label = json.loads((out / "result.json").read_text(encoding="utf-8"))["label"]
        assert label in ("landmarks only", "another")
        report = (out / "report.html").read_text(encoding="utf-8")
        assert report.rstrip().endswith("</html>")
        assert f"<title>{label}" in report or f"{label}</title>" in report
    for file in out.glob("*.png"):
        assert file.read_bytes().endswith(b"IEND\xaeB`\x82"), file.name
    (out / "notes.txt").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-m", "viewer.command.cli", "assess", "case.toml", "-o", str(out),
         "--quiet"],
        cwd=inputs, env=ENV, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0
    assert {p.name for p in out.iterdir()} <= {*OUTPUT_FILES, "notes.txt"}
    assert (out / "notes.txt").read_text() == "mine"


def test_the_folder_of_a_run_that_still_lives_is_left_alone(inputs):
    from viewer.report.outputs import write_outputs

    other = inputs / "out" / f"{STAGE_PREFIX}{os.getppid()}-abc"
    other.mkdir(parents=True)
    write_outputs(assess(landmarks_only()), inputs / "out", pictures=False)
    assert other.is_dir()


def test_many_assessments_in_one_process_keep_memory_flat(inputs, repeats):
    path, number = inputs / "case.toml", repeats(10, 25)

    def once() -> None:
        json.dumps(result_dict(assess(read_case(path))))

    tracemalloc.start()
    try:
        sizes = []
        for _ in range(4):  # what is kept once settles in the first rounds
            for _ in range(number):
                once()
            gc.collect()
            sizes.append(tracemalloc.get_traced_memory()[0])
        grown = sizes[-1] - sizes[-2]
    finally:
        tracemalloc.stop()
    assert grown < 1000 * number
