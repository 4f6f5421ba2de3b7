"""Long runs, only with ``--long``: many assessments in one process, and coverage-guided fuzzing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from kinematics.assess import assess
from kinematics.case import read_case, write_case
from kinematics.result import result_dict
from tests.cases import landmarks_only

RUNS = int(os.environ.get("HINGEWISE_SOAK", "10000"))
SECONDS = int(os.environ.get("HINGEWISE_FUZZ_SECONDS", "120"))


@pytest.mark.long
@pytest.mark.timeout(7200)
def test_ten_thousand_assessments_in_one_process_keep_memory_flat(tmp_path):
    path = tmp_path / "case.toml"
    write_case(landmarks_only(), path)
    process = psutil.Process()
    sizes = []
    for i in range(RUNS):
        json.dumps(result_dict(assess(read_case(path))))
        if i % (RUNS // 20) == RUNS // 20 - 1:
            sizes.append(process.memory_info().rss / 1e6)
            print(f"{i + 1:6d} {sizes[-1]:.1f} MB", flush=True)
    assert sizes[-1] - sizes[1] < 5.0


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("what", ["case", "stl", "ply", "obj", "off"])
def test_coverage_guided_fuzzing_finds_nothing(what, tmp_path):
    pytest.importorskip("atheris", reason="ATHERIS ABSENT: coverage-guided fuzzing did not run")
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("fuzz.py")), what,
         f"-max_total_time={SECONDS}", "-rss_limit_mb=2500", "-timeout=20", "-max_len=20000",
         f"-artifact_prefix={tmp_path}/", str(tmp_path)],
        capture_output=True, text=True, cwd=Path(__file__).parents[2],
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
