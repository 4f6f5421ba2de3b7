"""Compile every kernel once, on two cores, before test workers start that would each do it."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from kinematics.assessment import assess
from kinematics.case.read import case_from_dict
from kinematics.contact.first_contact import first_contacts, prepare
from tests import REPO
from tests.benchmarks.meshes import bumpy_arch
from tests.makers.small_study import CASE, casts_case


def compile_assessment() -> None:
    """What an assessment of casts with a spread and with excursions on teeth calls."""
    with tempfile.TemporaryDirectory() as folder:
        changes = casts_case(Path(folder))
        more = {
            "articulator": {"front": "teeth"},
            "uncertainty": {"arbitrary_axis": "measured", "true_axis_sd_mm": 0.5},
        }
        assess(case_from_dict(CASE | changes | more, folder=Path(folder)))


def compile_cloud() -> None:
    """First contacts about many axes at once."""
    upper, lower = bumpy_arch(400)
    ends = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])
    axes = ends + np.random.default_rng(1).normal(0, 2, (40, 2, 3))
    first_contacts(prepare(*upper, *lower), axes, threads=1)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        {"assessment": compile_assessment, "cloud": compile_cloud}[sys.argv[1]]()
    else:
        words = [sys.executable, "-m", "tests.makers.compiled"]
        running = [subprocess.Popen([*words, w], cwd=REPO) for w in ("assessment", "cloud")]
        sys.exit(max(process.wait() for process in running))
