"""The shape of the project: what may import what, and what may stand at the top level."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import kinematics
import viewer
from tests import REPO

KINEMATICS, VIEWER = (Path(p.__file__).parent for p in (kinematics, viewer))
ALLOWED_TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "kinematics",
    "viewer",
    "tests",
    "sample_meshes",
    "notebooks",
    "LICENSE",
    "Makefile",
    "constraints.txt",
}
DRAWING = {"viewer", "pyvista", "vtk", "vtkmodules", "matplotlib", "trame"}


def imported(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("path", sorted(KINEMATICS.rglob("*.py")), ids=lambda p: p.name)
def test_kinematics_imports_neither_the_viewer_nor_a_drawing_library(path):
    assert not imported(path) & DRAWING


def test_only_draw_and_the_app_import_pyvista():
    users = {p.name for p in VIEWER.rglob("*.py") if "pyvista" in imported(p)}
    allowed = {"draw.py", *(p.name for p in VIEWER.rglob("app*.py"))}
    assert "draw.py" in users
    assert users <= allowed


def test_the_top_level_is_the_agreed_one():
    tracked = subprocess.run(
        ["git", "ls-tree", "--name-only", "HEAD"], cwd=REPO, capture_output=True, text=True
    )
    if tracked.returncode:
        pytest.skip("not a git checkout: the top level is checked only there")
    names = set(tracked.stdout.split())
    assert {n for n in names if not n.startswith(".")} <= ALLOWED_TOP


def test_help_loads_no_heavy_library():
    code = (
        "import sys; from viewer.command.cli import build_parser; build_parser().format_help(); "
        "print([m for m in ('numba','pyvista','matplotlib','scipy','trimesh','pydantic') "
        "if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True)
    assert out.stdout.strip() == "[]", out.stdout + out.stderr


def test_no_file_records_a_registry_address():
    for name in ("pyproject.toml", "constraints.txt", "Makefile", ".ci/run"):
        text = (REPO / name).read_text()
        assert "://" not in text, name
        assert "index-url" not in text, name


FILLED_IN_PLACE = {"Element", "Sheet"}
"""Records that their own module fills step by step."""


def test_every_other_record_is_frozen():
    loose, records = set(), 0
    for path in KINEMATICS.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ClassDef):
                continue
            for mark in node.decorator_list:
                text = ast.unparse(mark)
                records += text.startswith("dataclass")
                if text.startswith("dataclass") and "frozen=True" not in text:
                    loose.add(node.name)
    assert records > 50, "the search found no records"
    assert loose == FILLED_IN_PLACE
