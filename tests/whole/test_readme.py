"""The README and DEVELOPERS.md say what is true: example, commands, cautions, module map."""

import importlib
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests import REPO
from tests.benchmarks.run import with_figures

README = (REPO / "README.md").read_text()
DEVELOPERS = (REPO / "DEVELOPERS.md").read_text()


def test_the_example_prints_what_the_readme_shows():
    code = re.search(r"```python\n(.*?)```", README, re.DOTALL)
    shown = re.search(r"```text\n(.*?)```", README, re.DOTALL)
    assert code is not None
    assert shown is not None
    run = subprocess.run(
        [sys.executable, "-c", code[1]], cwd=REPO, capture_output=True, text=True, timeout=500
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.strip() == shown[1].strip()


def test_every_command_in_the_readme_exists():
    from viewer.command.cli import build_parser

    jobs = set(re.findall(r"^hingewise (\w+)", README, re.MULTILINE))
    assert {"start", "inspect", "assess", "view", "sweep"} <= jobs
    known = build_parser().format_help()
    for job in jobs:
        assert re.search(rf"^\s+{job}\s", known, re.MULTILINE), job
    targets = (REPO / "Makefile").read_text()
    for target in re.findall(r"^make (\w+)", README, re.MULTILINE):
        assert f"\n{target}:" in targets, target


def test_every_extra_in_the_readme_exists_and_every_one_for_users_is_named():
    extras = tomllib.loads((REPO / "pyproject.toml").read_text())["project"][
        "optional-dependencies"
    ]
    named = {e for group in re.findall(r"'\.\[([\w,]+)\]'", README) for e in group.split(",")}
    assert named <= set(extras)
    assert {"report", "pictures", "app", "sweep"} <= named


@pytest.mark.parametrize("user", ["prosthodontist", "educator", "researcher"])
def test_each_user_has_a_page(user):
    assert re.search(rf"^### For the {user}", README, re.MULTILINE)


def test_the_ci_script_runs_the_readmes_test_command():
    assert "make test" in (REPO / ".ci" / "run").read_text()


def test_the_cautions_stand_in_the_readme():
    from kinematics.base.words import CAUTIONS

    text = " ".join(README.replace(">", " ").split())
    for caution in CAUTIONS:
        assert caution.split(";")[0].rstrip(".").lower() in text.lower(), caution


@pytest.mark.parametrize("folder", ["kinematics", "viewer"])
def test_the_module_map_names_every_module_and_no_other(folder):
    package = Path(importlib.import_module(folder).__file__).parent
    there = {p.stem for p in package.rglob("*.py") if p.stem != "__init__"}
    assert len(there) > 40, "the search found no modules"
    section = re.search(rf"### {folder}\n(.*?)(\n###? |\Z)", DEVELOPERS, re.DOTALL)
    assert section is not None
    named = set(re.findall(r"`(\w+)\.py`", section[1]))
    assert named == there


def test_linked_files_exist():
    for text in (README, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", text):
            assert (REPO / target).exists(), target


def test_the_tables_of_make_bench_stand_in_developers_md_as_in_results_md():
    figures = (REPO / "tests" / "benchmarks" / "RESULTS.md").read_text(encoding="utf-8")
    page = (REPO / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert with_figures(page, figures) == page
    assert "| open pair |" in page
    changed = with_figures(page, figures.replace("open pair", "other pair"))
    assert "| other pair |" in changed
    assert changed.replace("other pair", "open pair") == page
