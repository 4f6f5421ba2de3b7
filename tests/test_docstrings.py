"""The examples in docstrings run and print what they show; the main functions have one."""

from __future__ import annotations

import doctest
import importlib
from pathlib import Path

import pytest

import kinematics

FOLDER = Path(kinematics.__file__).parent
MODULES = sorted(p.stem for p in FOLDER.glob("*.py") if ">>> " in p.read_text(encoding="utf-8"))
MUST_SHOW = {
    "arcs": {"chord", "equal_angle_error"},
    "assess": {"assess"},
    "axis": {"HingeAxis", "axis_orbital_from_points", "opening_motion"},
    "case": {"read_case"},
    "closure": {"error_motion", "opening_for_drop", "pin_closing"},
    "contact": {"first_contact"},
    "excursion": {"excursion"},
    "populations": {"study_population"},
    "sweep": {"run_sweep"},
}
"""What a newcomer calls first."""


@pytest.mark.parametrize("name", MODULES)
def test_examples_print_what_they_show(name):
    if name == "sweep":
        pytest.importorskip("pyarrow", reason="PYARROW ABSENT: the example of a sweep did not run")
    module = importlib.import_module(f"kinematics.{name}")
    result = doctest.testmod(module, optionflags=doctest.REPORT_NDIFF, raise_on_error=False)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize(("module", "names"), MUST_SHOW.items())
def test_the_main_functions_show_an_example(module, names):
    loaded = importlib.import_module(f"kinematics.{module}")
    for name in names:
        text = getattr(loaded, name).__doc__
        assert "Examples\n" in text, name
        assert ">>> " in text, name
