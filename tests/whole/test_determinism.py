"""The same case gives the same bytes of result.json, in any process and with any threads."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from kinematics.case.read import case_from_dict, case_to_dict, write_case
from tests import REPO
from tests.makers.cases import landmarks_only

SCRIPT = """
import hashlib, json, sys
import numba
from kinematics.assessment import assess
from kinematics.case.read import read_case
from kinematics.result import result_dict
a = assess(read_case(sys.argv[1]))
assert a.risk is not None and a.excursions is not None
text = json.dumps(result_dict(a), indent=2, ensure_ascii=False, allow_nan=False)
print(numba.config.NUMBA_NUM_THREADS, hashlib.sha256(text.encode()).hexdigest(), len(text))
"""
FIRST = ("1", "0")
"""Threads and seed of the hashes."""
OTHERS = [pytest.param(("1", "1"), marks=pytest.mark.long), ("4", "2")]


@cache
def outcome(case: Path, threads: str, hash_seed: str) -> list[str]:
    env = os.environ | {
        "PYTHONPATH": str(REPO),
        "PYTHONHASHSEED": hash_seed,
        **{f"{p}_NUM_THREADS": threads for p in ("NUMBA", "OMP", "OPENBLAS", "MKL")},
    }
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(case)], capture_output=True, text=True, timeout=500,
        env=env,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    used, *digest = done.stdout.split()
    assert used == threads
    return digest


@pytest.fixture(scope="module")
def landmarks_case(tmp_path_factory) -> Path:
    data = case_to_dict(landmarks_only())
    data["uncertainty"] = {
        "arbitrary_axis": "normal", "sd_anterior_mm": 2.0, "sd_superior_mm": 2.0, "seed": 7,
    }  # fmt: skip
    data["articulator"] = {
        "intercondylar_mm": 110.0,
        **{f"sagittal_inclination_{s}_deg": 40.0 for s in ("left", "right")},
        **{f"bennett_{s}_deg": 10.0 for s in ("left", "right")},
        "incisal_sagittal_deg": 30.0,
        "incisal_lateral_deg": 15.0,
    }
    path = tmp_path_factory.mktemp("same") / "case.toml"
    write_case(case_from_dict(data), path)
    return path


@pytest.mark.parametrize("run", OTHERS)
def test_landmarks_with_uncertainty_and_excursions_give_the_same_bytes(landmarks_case, run):
    assert outcome(landmarks_case, *run) == outcome(landmarks_case, *FIRST)


def test_casts_with_uncertainty_and_excursions_give_the_same_bytes(demo_case_path):
    assert outcome(demo_case_path, "4", "2") == outcome(demo_case_path, *FIRST)


def test_another_seed_gives_other_bytes(landmarks_case, tmp_path):
    other = tmp_path / "case.toml"
    other.write_text(landmarks_case.read_text().replace("seed = 7", "seed = 8"))
    assert outcome(landmarks_case, *FIRST) != outcome(other, *FIRST)
