"""Examples in docstrings run and print what they show; the README's import from the face, too."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
from pathlib import Path

import numpy as np
import pytest

import kinematics
import viewer
from kinematics.base.words import CAUTION
from tests import REPO

PROMPT = re.compile(r"^\s*>>> ", re.MULTILINE)
MODULES = {
    ".".join(p.relative_to(root.parent).with_suffix("").parts): len(PROMPT.findall(text))
    for root, names in (
        (Path(kinematics.__file__).parent, "*.py"),
        (Path(viewer.__file__).parent, "*.py"),
        (REPO / "tests", "oracles/arcs.py"),
    )
    for p in sorted(root.rglob(names))
    if PROMPT.search(text := p.read_text(encoding="utf-8"))
}
"""Every module with an example, and how many lines of it are asked."""

MUST_SHOW = {
    "tests.oracles.arcs": {"chord", "equal_angle_error"},
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


def imported(code: str) -> list[tuple[str, str]]:
    """What code imports from kinematics: module and name."""
    found: list[tuple[str, str]] = []
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            found += [(alias.name, "") for alias in node.names]
        if isinstance(node, ast.ImportFrom):
            found += [(node.module or "", alias.name) for alias in node.names]
    return [(m, n) for m, n in found if m.partition(".")[0] == "kinematics"]


def beside_the_face(code: str, allowed: set[str] = frozenset()) -> list[tuple[str, str]]:
    """Imports that neither come from the face nor from an allowed module (or room)."""
    of_the_face = {f"kinematics.{module}": set() for module in kinematics.FACE.values()}
    for name, module in kinematics.FACE.items():
        of_the_face[f"kinematics.{module}"].add(name)
    return [
        (m, n)
        for m, n in imported(code)
        if (m == "kinematics" and n not in kinematics.FACE)
        or (m != "kinematics" and not any(f"{m}.".startswith(f"{a}.") for a in allowed))
        or n in of_the_face.get(m, ())
    ]


def examples(name: str) -> list[doctest.DocTest]:
    """The examples of a module; they see numpy as ``np`` and nothing else of the module."""
    found = doctest.DocTestFinder().find(
        importlib.import_module(name), name, globs={"np": np, "__name__": "__main__"}
    )
    return [f for f in found if f.examples]


def test_the_search_finds_the_modules_with_examples():
    assert set(MUST_SHOW) <= set(MODULES)
    assert len(MODULES) >= 9


@pytest.mark.parametrize("name", MODULES)
def test_examples_print_what_they_show(name):
    if "sweep" in name:
        pytest.importorskip("pyarrow", reason="PYARROW ABSENT: the example of a sweep did not run")
    found = examples(name)
    assert sum(len(f.examples) for f in found) == MODULES[name], "an example is not collected"
    runner = doctest.DocTestRunner(optionflags=doctest.REPORT_NDIFF)
    for example in found:
        runner.run(example)
    assert runner.summarize().failed == 0


@pytest.mark.parametrize("name", MODULES)
def test_examples_import_from_the_face_and_from_their_own_room(name):
    room = ".".join(name.split(".")[:2])
    for example in examples(name):
        code = "".join(e.source for e in example.examples)
        assert beside_the_face(code, {room}) == [], example.name


def test_the_readme_imports_from_the_face_only():
    blocks = re.findall(r"```python\n(.*?)```", (REPO / "README.md").read_text(), re.DOTALL)
    assert any(imported(code) for code in blocks)
    for code in blocks:
        assert beside_the_face(code) == []


def test_an_import_beside_the_face_is_noticed():
    assert beside_the_face("from kinematics.case.read import read_case")
    assert beside_the_face("from kinematics.case.read import read_case", {"kinematics.case"})
    assert beside_the_face("import kinematics.case.read")
    assert beside_the_face("from kinematics import nothing")
    assert not beside_the_face("from kinematics import read_case")
    assert not beside_the_face(
        "from kinematics.base.teeth import is_tooth", {"kinematics.base.teeth"}
    )


@pytest.mark.parametrize(
    "page", ["README.md", "sample_meshes/README.md", "sample_meshes/demo_case.toml"]
)
def test_the_pages_and_the_demo_say_the_one_caution(page):
    text = re.sub(r"^[#>]", " ", (REPO / page).read_text(encoding="utf-8"), flags=re.MULTILINE)
    assert CAUTION in " ".join(text.split())


@pytest.mark.parametrize(("module", "names"), MUST_SHOW.items())
def test_the_main_functions_show_an_example(module, names):
    loaded = importlib.import_module(module)
    for name in names:
        text = getattr(loaded, name).__doc__
        assert "Examples\n" in text, name
        assert ">>> " in text, name
