"""The main ratios under pytest-benchmark (off by default; `--benchmark-enable` measures)."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest

from kinematics.base.axis import HingeAxis
from kinematics.contact.first_contact import first_contact, first_contacts, prepare
from tests.benchmarks.meshes import bumpy_arch
from tests.benchmarks.peers import fcl_bisection
from tests.benchmarks.run import closed

AXIS = HingeAxis((0.0, 55.0, 0.0), (0.0, -55.0, 0.0))
ENDS = np.stack([AXIS.left_point_mm, AXIS.right_point_mm])


@pytest.fixture(scope="module")
def measured(request) -> bool:  # type: ignore[no-untyped-def]
    """Whether times are taken; without, small meshes show that the ratios can be."""
    return bool(request.config.getoption("--benchmark-enable"))


@pytest.fixture(scope="module")
def arches(measured):  # type: ignore[no-untyped-def]
    return bumpy_arch(20_000 if measured else 2_000)


@pytest.mark.benchmark(group="one axis")
def test_first_contact_about_one_axis(benchmark, arches) -> None:  # type: ignore[no-untyped-def]
    pair = prepare(*arches[0], *arches[1])
    assert benchmark(first_contact, pair, AXIS).status == "contact"


@pytest.mark.benchmark(group="one axis")
def test_bisection_about_one_axis(benchmark, arches) -> None:  # type: ignore[no-untyped-def]
    solve = fcl_bisection(*arches)
    angle = benchmark(solve, AXIS.left_point_mm, AXIS.right_point_mm)
    ours = first_contact(prepare(*arches[0], *arches[1]), AXIS)
    assert angle == pytest.approx(math.radians(ours.closing_deg), abs=1e-8)


@pytest.mark.benchmark(group="preparation")
def test_preparation(benchmark, arches) -> None:  # type: ignore[no-untyped-def]
    pair = benchmark(prepare, *arches[0], *arches[1])
    assert len(pair.upper.right) == 2 * len(arches[0][1]) - 1


@pytest.mark.benchmark(group="many axes")
def test_first_contacts_of_a_cloud(benchmark, arches, measured) -> None:  # type: ignore[no-untyped-def]
    pair = prepare(*arches[0], *arches[1])
    axes = ENDS + np.random.default_rng(1).normal(0, 2, (200 if measured else 20, 2, 3))
    assert (benchmark(first_contacts, pair, axes, threads=1).status == 1).all()


@pytest.mark.benchmark(group="closures")
def test_closures_of_a_cloud(benchmark) -> None:  # type: ignore[no-untyped-def]
    axes = ENDS + np.random.default_rng(1).normal(0, 4, (20_000, 2, 3))
    points = np.random.default_rng(2).uniform(20, 90, (28, 3))
    assert benchmark(closed, AXIS, axes, points, np.full(20_000, 2.0)).shape == (20_000, 28, 3)


@pytest.mark.benchmark(group="start")
@pytest.mark.parametrize(
    "code", ["from viewer.command.cli import main; main(['--help'])", "import numpy"]
)
def test_start_of_help_beside_loading_numpy(benchmark, code) -> None:  # type: ignore[no-untyped-def]
    done = benchmark(subprocess.run, [sys.executable, "-c", code], capture_output=True)
    assert done.returncode == 0, done.stderr
