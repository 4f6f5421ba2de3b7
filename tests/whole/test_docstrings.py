"""The examples in docstrings run and print what they show; the main functions have one."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import kinematics

FOLDER = Path(kinematics.__file__).parent
MODULES = sorted(
    ".".join(p.relative_to(FOLDER.parent).with_suffix("").parts)
    for p in FOLDER.rglob("*.py")
    if ">>> " in p.read_text(encoding="utf-8")
)
MUST_SHOW = {
    "kinematics.base.arcs": {"chord", "equal_angle_error"},
    "kinematics.assessment": {"assess"},
    "kinematics.base.axis": {"HingeAxis", "axis_orbital_from_points", "opening_motion"},
    "kinematics.case.read": {"read_case"},
    "kinematics.closure.stops": {"error_motion", "opening_for_drop", "pin_closing"},
    "kinematics.contact.first_contact": {"first_contact"},
    "kinematics.articulator.excursion": {"excursion"},
    "kinematics.uncertainty.populations": {"study_population"},
    "kinematics.sweep.run": {"run_sweep"},
}
"""What a newcomer calls first."""


def test_the_search_finds_the_modules_with_examples():
    assert set(MUST_SHOW) <= set(MODULES)
    assert len(MODULES) >= 9


@pytest.mark.parametrize("name", MODULES)
def test_examples_print_what_they_show(name):
    if "sweep" in name:
        pytest.importorskip("pyarrow", reason="PYARROW ABSENT: the example of a sweep did not run")
    module = importlib.import_module(name)
    result = doctest.testmod(module, optionflags=doctest.REPORT_NDIFF, raise_on_error=False)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize(("module", "names"), MUST_SHOW.items())
def test_the_main_functions_show_an_example(module, names):
    loaded = importlib.import_module(module)
    for name in names:
        text = getattr(loaded, name).__doc__
        assert "Examples\n" in text, name
        assert ">>> " in text, name
