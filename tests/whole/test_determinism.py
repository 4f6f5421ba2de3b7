"""The same case gives the same bytes of result.json, in any process and with any threads."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
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
print(numba.config.NUMBA_NUM_THREADS)
for path in sys.argv[1:]:
    a = assess(read_case(path))
    assert a.risk is not None and a.excursions is not None
    text = json.dumps(result_dict(a), indent=2, ensure_ascii=False, allow_nan=False)
    print(hashlib.sha256(text.encode()).hexdigest(), len(text))
"""
FIRST = ("1", "0")
"""Threads and seed of the hashes."""
OTHERS = [pytest.param(("1", "1"), marks=pytest.mark.long), ("4", "2")]


@pytest.fixture(scope="module")
def outcome(landmarks_case, other_seed, demo_case_path) -> Callable[..., dict[str, str]]:
    """Hash and length of each case's result, by threads and seed of the hashes: one process each.

    Those of the cases ``landmarks``, ``other_seed`` and ``demo``.
    """

    @cache
    def run(threads: str, hash_seed: str) -> dict[str, str]:
        env = os.environ | {
            "PYTHONPATH": str(REPO),
            "PYTHONHASHSEED": hash_seed,
            **{f"{p}_NUM_THREADS": threads for p in ("NUMBA", "OMP", "OPENBLAS", "MKL")},
        }
        cases = [landmarks_case, other_seed, demo_case_path]
        done = subprocess.run(
            [sys.executable, "-c", SCRIPT, *map(str, cases)], capture_output=True, text=True,
            timeout=500, env=env,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        used, *digests = done.stdout.splitlines()
        assert used == threads
        return dict(zip(("landmarks", "other_seed", "demo"), digests, strict=True))

    return run


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


@pytest.fixture(scope="module")
def other_seed(landmarks_case) -> Path:
    other = landmarks_case.with_name("other_seed.toml")
    other.write_text(landmarks_case.read_text().replace("seed = 7", "seed = 8"))
    return other


@pytest.mark.parametrize("run", OTHERS)
@pytest.mark.parametrize("case", ["landmarks", "demo"])
def test_uncertainty_and_excursions_give_the_same_bytes(outcome, case, run):
    """The demo has casts."""
    assert outcome(*run)[case] == outcome(*FIRST)[case]


def test_another_seed_gives_other_bytes(outcome):
    assert outcome(*FIRST)["landmarks"] != outcome(*FIRST)["other_seed"]
