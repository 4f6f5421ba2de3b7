"""Shared options and fixtures of the tests."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from kinematics.assessment import Assessment, assess
from kinematics.case.read import read_case
from tests import REPO, SCANS

settings.register_profile(
    "default",
    deadline=None,
    derandomize=True,
    max_examples=25,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("long", parent=settings.get_profile("default"), max_examples=2000)
settings.load_profile("default")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the longer fuzzing and soak tests")


def pytest_configure(config: pytest.Config) -> None:
    if config.getoption("--long"):
        settings.load_profile("long")
    if not os.environ.get("DISPLAY"):
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")


def prepared_for(item: pytest.Item) -> str | None:
    """What a test shares with others, so that one worker prepares it once and runs them all."""
    if item.get_closest_marker("xdist_group"):
        return None
    names = getattr(item, "fixturenames", ())
    if "demo_assessment" in names:
        return "demo"
    found = item._fixtureinfo.name2fixturedefs
    shared = any(d.scope == "module" for name in names for d in found.get(name, ())[-1:])
    return item.nodeid.partition("::")[0] if shared else None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    for item in items:
        if group := prepared_for(item):
            item.add_marker(pytest.mark.xdist_group(group))
    if config.getoption("--long"):
        return
    skip = pytest.mark.skip(reason="a long run: add --long to do it")
    for item in items:
        if "long" in item.keywords:
            item.add_marker(skip)


@pytest.fixture
def repeats(request: pytest.FixtureRequest) -> Callable[[int, int], int]:
    """How often a drawn test repeats: ``repeats(now, thorough)``, the second with --long."""
    return lambda now, thorough: thorough if request.config.getoption("--long") else now


@pytest.fixture(scope="session")
def scans() -> Path:
    """Folder of the real cast scans; they belong to the tests, so a missing one is a failure."""
    return SCANS


@pytest.fixture(scope="session")
def demo_case_path() -> Path:
    """The demo case that the project ships."""
    return REPO / "sample_meshes" / "demo_case.toml"


@pytest.fixture(scope="session")
def demo_assessment(demo_case_path: Path) -> Assessment:
    """The demo case assessed once, with its spread and its excursions."""
    return assess(read_case(demo_case_path))
