"""The README and DEVELOPERS.md say what is true: example, commands and cautions."""

import re
import subprocess
import sys
import tomllib

import pytest

import kinematics
import viewer
from tests import REPO

README = (REPO / "README.md").read_text()


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


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "tests/README.md"])
def test_linked_files_exist(page):
    for target in re.findall(r"\]\(([^)#:]+)\)", (REPO / page).read_text()):
        assert ((REPO / page).parent / target).exists(), target


@pytest.mark.parametrize(("page", "kb"), [("README.md", 10), ("DEVELOPERS.md", 13)])
def test_what_is_to_be_read_first_is_short(page, kb):
    assert (REPO / page).stat().st_size <= 1000 * kb


def test_every_folder_of_tests_that_is_no_room_is_told_of_in_their_readme():
    told = (REPO / "tests" / "README.md").read_text()
    rooms = {name for room in (*kinematics.ROOMS, *viewer.ROOMS) for name in room.split("/")}
    for folder in (p for p in (REPO / "tests").iterdir() if p.is_dir()):
        if folder.name not in {*rooms, "__pycache__"}:
            assert f"| `{folder.name}/` |" in told, folder.name
