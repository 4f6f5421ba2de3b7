"""The shape of the project: what may import what, and what may stand at the top level."""

import ast
import subprocess
import sys
from collections.abc import Collection, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import kinematics
import viewer
from tests import REPO

KINEMATICS = Path(kinematics.__file__).parent
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


def modules(root: Path) -> dict[str, ast.Module]:
    """Every module of both packages below a root, by its dotted name."""
    paths = [p for name in ("kinematics", "viewer") for p in sorted((root / name).rglob("*.py"))]
    return {
        ".".join(p.relative_to(root).with_suffix("").parts): ast.parse(p.read_text("utf-8"))
        for p in paths
    }


def imports(name: str, tree: ast.Module, known: Collection[str]) -> set[str]:
    """What a module imports, inside functions and for types too: our modules, others by top."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert not node.level, f"{name}: imports name the whole way"
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            found |= full & set(known) or {str(node.module)}
    ours = {m for m in found if m in known}
    return (ours | {m.partition(".")[0] for m in found - ours}) - {name}


def place_of(name: str) -> int:
    """Where a module stands in the order of the rooms; a package's face stands after them."""
    package, _, rest = name.partition(".")
    rooms = kinematics.ROOMS if package == "kinematics" else viewer.ROOMS
    room = rest.partition(".")[0]
    first = 0 if package == "kinematics" else 100
    return first + (99 if room == "__init__" else rooms.index(room))


@pytest.fixture(scope="module")
def imported() -> dict[str, set[str]]:
    """What every module imports."""
    trees = modules(REPO)
    return {name: imports(name, tree, trees) for name, tree in trees.items()}


def wrong_way(imported: Mapping[str, set[str]]) -> list[str]:
    """Imports that run against the order of the rooms, and circles of files or folders."""
    edges = {
        name: {m for m in others if m in imported and "__init__" not in m}
        for name, others in imported.items()
        if not name.endswith("__init__")
    }
    bad = [
        f"{name} imports {other}"
        for name, others in edges.items()
        for other in others
        if place_of(other) > place_of(name)
    ]
    folders: dict[str, set[str]] = {}
    for name, others in edges.items():
        here = name.rpartition(".")[0]
        folders.setdefault(here, set()).update({o.rpartition(".")[0] for o in others} - {here})
    for graph in (edges, folders):
        try:
            TopologicalSorter(graph).prepare()
        except CycleError as circle:
            bad.append("a circle: " + " -> ".join(circle.args[1]))
    return sorted(bad)


def test_each_room_imports_only_from_its_left_and_there_is_no_circle(imported):
    assert len(imported) > 100, "the search found no modules"
    assert wrong_way(imported) == []


@pytest.mark.parametrize(
    ("file", "line"),
    [
        ("kinematics/base/axis.py", "import kinematics.decision.answer"),
        ("kinematics/base/teeth.py", "if TYPE_CHECKING:\n    from viewer.look import palette"),
        ("kinematics/case/read.py", "def f():\n    from kinematics.closure.close import close"),
        ("kinematics/contact/roots.py", "from kinematics.contact import first_contact"),
        ("viewer/look/text.py", "from viewer.report.page import render_report"),
    ],
)
def test_an_import_that_runs_the_wrong_way_is_noticed(imported, file, line):
    name = file.removesuffix(".py").replace("/", ".")
    changed = ast.parse(f"{(REPO / file).read_text('utf-8')}\n{line}\n")
    broken = {**imported, name: imports(name, changed, imported)}
    assert set(wrong_way(broken)) - set(wrong_way(imported))


def test_every_folder_is_a_room_and_has_two_to_twelve_files():
    for package in (kinematics, viewer):
        root = Path(package.__file__).parent
        holders = {p.parent for p in root.rglob("*.py")} - {root}
        assert {p.relative_to(root).parts[0] for p in holders} <= set(package.ROOMS)
        for folder in holders:
            files = [p for p in folder.glob("*.py") if p.name != "__init__.py"]
            assert 2 <= len(files) <= 12, folder
            assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text("utf-8")))


def test_kinematics_imports_neither_the_viewer_nor_a_drawing_library(imported):
    for name, others in imported.items():
        if name.startswith("kinematics"):
            assert not {m.partition(".")[0] for m in others} & DRAWING, name


def test_only_the_renderer_and_the_app_import_pyvista(imported):
    users = {name for name, others in imported.items() if "pyvista" in others}
    assert "viewer.scene.render" in users
    assert {u for u in users if not u.startswith("viewer.app.")} == {"viewer.scene.render"}


@pytest.mark.parametrize("first", ["modules", "face"])
def test_every_name_of_the_face_is_there_whatever_was_imported_before(imported, first):
    every = sorted(m.removesuffix(".__init__") for m in imported if m.startswith("kinematics"))
    code = (
        "import importlib, kinematics\n"
        "def face(): return {n: getattr(kinematics, n) for n in kinematics.__all__}\n"
        f"before = face() if {first!r} == 'face' else None\n"
        f"for name in {every!r}: importlib.import_module(name)\n"
        "after = face()\n"
        "assert before is None or before == after\n"
        "for n, found in after.items():\n"
        "    assert found.__name__ == n and callable(found), n\n"
        "assert set(kinematics.__all__) == set(kinematics.FACE) <= set(dir(kinematics))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=REPO, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_a_name_that_the_face_lacks_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = kinematics.nothing


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
