"""Long runs, only with ``--long``: many assessments in one process, and coverage-guided fuzzing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from kinematics.assessment import assess
from kinematics.case.read import read_case, write_case
from kinematics.casts.synthetic.dentition import main
from kinematics.result import result_dict
from tests import REPO
from tests.makers.cases import landmarks_only
from viewer.report.outputs import write_outputs

RUNS = int(os.environ.get("HINGEWISE_SOAK", "10000"))
RUNS_WITH_CASTS = int(os.environ.get("HINGEWISE_SOAK_CASTS", "1000"))
RUNS_WITH_REPORT = int(os.environ.get("HINGEWISE_SOAK_REPORTS", "300"))
SECONDS = int(os.environ.get("HINGEWISE_FUZZ_SECONDS", "120"))
GROWTH_MB = 5.0
"""Most that a process may grow from a fifth of the runs to the last (ours; allocators wander)."""


def sizes_mb(once: Callable[[], object], runs: int) -> list[float]:
    """Resident memory after each twentieth of the runs, printed as it comes."""
    process, sizes = psutil.Process(), []
    for i in range(runs):
        once()
        if i % (runs // 20) == runs // 20 - 1:
            sizes.append(process.memory_info().rss / 1e6)
            print(f"{i + 1:6d} {sizes[-1]:.1f} MB", flush=True)
    return sizes


@pytest.mark.long
@pytest.mark.timeout(14400)
def test_ten_thousand_assessments_in_one_process_keep_memory_flat(tmp_path):
    path = tmp_path / "case.toml"
    write_case(landmarks_only(), path)
    sizes = sizes_mb(lambda: json.dumps(result_dict(assess(read_case(path)))), RUNS)
    assert sizes[-1] - sizes[3] < GROWTH_MB


@pytest.fixture
def light_case(tmp_path, demo_case_path) -> Path:
    """The demo case on casts of a tenth of its triangles."""
    main(["-o", str(tmp_path), "--triangles", "6000", "--seed", "0"])
    (tmp_path / "case.toml").write_text(demo_case_path.read_text("utf-8"), "utf-8")
    return tmp_path / "case.toml"


@pytest.mark.long
@pytest.mark.timeout(14400)
def test_assessments_with_casts_in_one_process_keep_memory_flat(light_case):
    sizes = sizes_mb(
        lambda: json.dumps(result_dict(assess(read_case(light_case)))), RUNS_WITH_CASTS
    )
    assert sizes[-1] - sizes[3] < GROWTH_MB


@pytest.mark.long
@pytest.mark.timeout(14400)
def test_reports_in_one_process_keep_memory_flat(light_case, tmp_path):
    found = assess(read_case(light_case))
    sizes = sizes_mb(
        lambda: write_outputs(found, tmp_path / "out", pictures=False), RUNS_WITH_REPORT
    )
    assert sizes[-1] - sizes[3] < GROWTH_MB


@pytest.mark.long
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("what", ["case", "stl", "ply", "obj", "off"])
def test_coverage_guided_fuzzing_finds_nothing(what, tmp_path):
    pytest.importorskip("atheris", reason="ATHERIS ABSENT: coverage-guided fuzzing did not run")
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("fuzz.py")), what,
         f"-max_total_time={SECONDS}", "-rss_limit_mb=2500", "-timeout=20", "-max_len=20000",
         f"-artifact_prefix={tmp_path}/", str(tmp_path)],
        capture_output=True, text=True, cwd=REPO,
        env=os.environ | {"PYTHONPATH": str(REPO)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
