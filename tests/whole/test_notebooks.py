"""The three notebooks: they run, they are kept run, small, and on the public interface only."""

import ast
import base64
import re

import nbformat
import pytest
from nbclient import NotebookClient

from kinematics.base.words import CAUTION
from tests import REPO
from tests.whole.test_docstrings import beside_the_face, imported

FOLDER = REPO / "notebooks"
NAMES = (
    "01_arcs_and_chords.ipynb",
    "02_is_the_true_axis_worth_it.ipynb",
    "03_sensitivity_study.ipynb",
)
LESSON = {
    "kinematics.base.axis",
    "kinematics.case.read",
    "kinematics.closure.stops",
    "kinematics.sweep.ranking",
}
"""Modules whose closed forms or single steps a lesson shows; all else comes from the face."""
MAX_FILE_BYTES = 300_000
MAX_PICTURE_BYTES = 120_000


def code_of(book):
    return "\n".join(c.source for c in book.cells if c.cell_type == "code")


def texts(book):
    return [
        output.text
        for cell in book.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if output.output_type == "stream" and output.name == "stdout"
    ]


@pytest.fixture(params=NAMES)
def book(request):
    return request.param, nbformat.read(FOLDER / request.param, as_version=4)


def test_there_are_no_other_notebooks():
    assert {p.name for p in FOLDER.glob("*.ipynb")} == set(NAMES)


def test_it_is_kept_run_in_order_without_an_error_and_with_pictures(book):
    _, found = book
    cells = [c for c in found.cells if c.cell_type == "code"]
    assert [c.execution_count for c in cells] == list(range(1, len(cells) + 1))
    outputs = [o for c in cells for o in c.outputs]
    assert not [o for o in outputs if o.output_type == "error"]
    assert not [o for o in outputs if o.output_type == "stream" and o.name == "stderr"]
    assert [o for o in outputs if "image/png" in o.get("data", {})]


def test_it_is_small(book):
    name, found = book
    assert (FOLDER / name).stat().st_size < MAX_FILE_BYTES
    for cell in found.cells:
        for output in cell.get("outputs", []):
            picture = output.get("data", {}).get("image/png")
            assert picture is None or len(base64.b64decode(picture)) < MAX_PICTURE_BYTES


def test_it_uses_public_names_only(book):
    tree = ast.parse(code_of(book[1]))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert not any(a.name.startswith("_") for a in node.names)
            assert not any(part.startswith("_") for part in (node.module or "").split("."))
        if isinstance(node, ast.Attribute):
            assert not node.attr.startswith("_")


def test_it_imports_from_the_face_and_what_its_lesson_shows(book):
    code = code_of(book[1])
    assert any(module == "kinematics" for module, _ in imported(code))
    assert beside_the_face(code, LESSON) == []


def test_it_carries_the_caution_and_no_path_of_this_machine(book):
    _, found = book
    text = nbformat.writes(found)
    first = " ".join(found.cells[0].source.replace(">", " ").split())
    assert CAUTION in first
    assert not re.search(r"/(?:home|root|work|tmp|Users)/", text)


def test_run_again_it_prints_what_is_kept(book):
    name, found = book
    kept = "".join(texts(found))
    again = nbformat.read(FOLDER / name, as_version=4)
    NotebookClient(
        again, timeout=900, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    ).execute()
    assert "".join(texts(again)) == kept
