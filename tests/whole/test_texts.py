"""Texts name what is there: modules, names in them and files, in every docstring and page."""

from __future__ import annotations

import importlib
import importlib.util
import re
from pathlib import Path

import pytest

import kinematics
import viewer
from tests import REPO

PACKAGES = [Path(package.__file__).parent for package in (kinematics, viewer)]
ROOTS = [PACKAGES[0].parent, *PACKAGES, REPO]
"""Where a path may start; the packages stand outside the repository where they are installed."""
PAGES = ("README.md", "DEVELOPERS.md", "Makefile", "sample_meshes/README.md", "tests/README.md")
TEXTS = [REPO / page for page in PAGES] + [
    p
    for folder in (*PACKAGES, REPO / "tests")
    for p in sorted(folder.rglob("*"))
    if p.suffix in {".py", ".md", ".j2"}
]
NAMED = re.compile(r"\b(?:kinematics|viewer|tests)(?:(?:\.[A-Za-z]\w*)+|(?:/[\w-]+)+(?:\.\w+)*)")
INVENTED = {"kinematics.nothing", "kinematics/base/nothing.py"}
"""Named by tests because they are not there."""
FOLDERS = [p for package in PACKAGES for p in sorted(package.rglob("__init__.py"))]
OUTSIDE = {"axis_orbital", "result.json"}
"""What rooms' docstrings name that is neither a module nor a name in one."""


def there(name: str) -> bool:
    """Whether a path, a module or a name in a module exists."""
    if "/" in name:
        return any((root / name).exists() for root in ROOTS)
    parts = name.split(".")
    if parts[0] not in ("kinematics", "viewer", "tests"):
        return False
    module = importlib.import_module(parts.pop(0))
    while parts and hasattr(module, "__path__"):
        inner = f"{module.__name__}.{parts[0]}"
        if importlib.util.find_spec(inner) is None:
            break
        module = importlib.import_module(inner)
        parts.pop(0)
    return not parts or hasattr(module, parts[0])


def test_what_a_text_names_is_there():
    assert len(TEXTS) > 200, "the search found no texts"
    gone = {
        (path.name, name)
        for path in TEXTS
        for name in set(NAMED.findall(path.read_text(encoding="utf-8"))) - INVENTED
        if not there(name)
    }
    assert gone == set()
    assert not there("kinematics.nothing")
    assert not there("kinematics/base/nothing.py")


def test_the_recipes_name_files_that_are_there():
    text = (REPO / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([\w.]+(?:/[\w.]+)+)`", text))
    assert len(named) > 20
    assert {n for n in named if not there(n)} == {"demo_out/"} & named


@pytest.mark.parametrize("init", FOLDERS, ids=lambda p: p.parent.name)
def test_a_room_s_docstring_names_what_is_there(init):
    """Modules of the room or of another, their functions, and records of the room."""
    root = next(p for p in PACKAGES if p in init.parents)
    room = ".".join(init.parent.relative_to(root.parent).parts)
    doc = importlib.import_module(room).__doc__ or ""
    modules = [importlib.import_module(room)] + [
        importlib.import_module(f"{room}.{p.stem}")
        for p in init.parent.glob("*.py")
        if p.name != "__init__.py"
    ]
    for name in set(re.findall(r"``([\w./]+)``", doc)) - OUTSIDE:
        assert (
            (init.parent / name).exists()
            or any(hasattr(module, name) for module in modules)
            or any(there(f"{start}{name}") for start in (f"{room}.", "kinematics.", "viewer.", ""))
        ), name
