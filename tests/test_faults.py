"""Full disks, read-only folders and kills: one clear error, nothing half-written, flat memory."""

from __future__ import annotations

import gc
import json
import os
import resource
import signal
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from kinematics.assess import assess
from kinematics.case import read_case, write_case
from kinematics.case_template import template
from kinematics.result import result_dict
from tests.cases import landmarks_only
from viewer.outputs import OUTPUT_FILES, STAGE_PREFIX

REPO = Path(__file__).resolve().parents[1]
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
        [sys.executable, "-m", "viewer.cli", *words], capture_output=True, text=True, timeout=300,
        cwd=cwd, env=ENV, **more,
    )  # fmt: skip


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
        subprocess.run(["umount", str(folder)], check=True)


@pytest.fixture
def small_disk(tmp_path) -> Iterator[Path]:
    yield from mounted(tmp_path / "small", "size=4k")


@pytest.fixture
def read_only_disk(tmp_path) -> Iterator[Path]:
    yield from mounted(tmp_path / "locked", "ro")


def refused(done: subprocess.CompletedProcess[str]) -> None:
    assert done.returncode == 2, done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    assert lines[0].startswith("hingewise: error: ")
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("name", COMMANDS)
def test_a_full_disk_ends_with_2_and_one_line_and_leaves_whole_files_only(name, inputs, small_disk):
    refused(command(name, small_disk, inputs))
    whole = {"case.toml": template("axis_points", []), "study.toml": STUDY}
    for path in small_disk.rglob("*"):
        if path.is_file() and path.stat().st_size:
            assert path.read_text() == whole[path.name]


@pytest.mark.parametrize("name", COMMANDS)
def test_a_read_only_folder_ends_with_2_and_one_line(name, inputs, read_only_disk):
    refused(command(name, read_only_disk, inputs))


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
from kinematics.assess import assess
from kinematics.case import read_case
from viewer.outputs import write_outputs
import viewer.outputs as o
a = assess(read_case(sys.argv[1]))
write_outputs(a, sys.argv[2], pictures=False)
print("ready", flush=True)
while True:
    write_outputs(a, sys.argv[2], pictures=False)
"""


@pytest.mark.parametrize("wait", [0.05, 0.7])
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
    result = json.loads((out / "result.json").read_text(encoding="utf-8"))
    assert result["label"] == "landmarks only"
    report = (out / "report.html").read_text(encoding="utf-8")
    assert report.rstrip().endswith("</html>")
    for file in out.glob("*.png"):
        assert file.read_bytes().endswith(b"IEND\xaeB`\x82"), file.name
    (out / "notes.txt").write_text("mine")
    done = subprocess.run(
        [sys.executable, "-m", "viewer.cli", "assess", "case.toml", "-o", str(out), "--quiet"],
        cwd=inputs, env=ENV, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0
    assert {p.name for p in out.iterdir()} <= {*OUTPUT_FILES, "notes.txt"}
    assert (out / "notes.txt").read_text() == "mine"


def test_the_folder_of_a_run_that_still_lives_is_left_alone(inputs):
    from viewer.outputs import write_outputs

    other = inputs / "out" / f"{STAGE_PREFIX}{os.getppid()}-abc"
    other.mkdir(parents=True)
    write_outputs(assess(landmarks_only()), inputs / "out", pictures=False)
    assert other.is_dir()


def test_fifty_assessments_in_one_process_keep_memory_flat(inputs):
    path = inputs / "case.toml"

    def once() -> None:
        json.dumps(result_dict(assess(read_case(path))))

    tracemalloc.start()
    try:
        sizes = []
        for _ in range(3):
            for _ in range(25):
                once()
            gc.collect()
            sizes.append(tracemalloc.get_traced_memory()[0])
        grown = sizes[2] - sizes[1]
    finally:
        tracemalloc.stop()
    assert grown < 25_000  # 1 kB an assessment
