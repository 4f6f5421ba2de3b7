"""The wheel and the sdist: what is in them, and that they work outside the repository."""

from __future__ import annotations

import email
import os
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from importlib.metadata import Distribution, distribution
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from kinematics.case.read import write_case
from tests import REPO, SCANS
from tests.makers.cases import landmarks_only

ENV = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """Folder with wheel and sdist; skips where the build tools cannot be had."""
    if not (REPO / "kinematics").is_dir():
        pytest.skip("NO SOURCES BESIDE THE TESTS: wheel and sdist were not built")
    pytest.importorskip("build", reason="PACKAGE build ABSENT: wheel and sdist were not built")
    out = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "build", "-q", "-o", str(out), str(REPO)],
        capture_output=True, text=True, timeout=400,
    )  # fmt: skip
    if "No matching distribution" in done.stdout + done.stderr:
        pytest.skip("NO PACKAGE SOURCE: the build backend cannot be fetched here")
    assert done.returncode == 0, done.stdout + done.stderr
    return out


def fresh(folder: Path, built: Path) -> Path:
    """Make an environment that holds the wheel and nothing else; its folder of packages."""
    venv.create(folder, with_pip=False)
    purelib = Path(
        subprocess.run(
            [str(folder / "bin" / "python"), "-c",
             "import sysconfig; print(sysconfig.get_path('purelib'))"],
            capture_output=True, text=True, check=True, env=ENV,
        ).stdout.strip()
    )  # fmt: skip
    wheel = next(built.glob("*.whl"))
    subprocess.run(
        [sys.executable, "-m", "pip", "-q", "--python", str(folder / "bin" / "python"),
         "install", "--no-deps", "--no-index", str(wheel)],
        check=True, env=ENV, timeout=300,
    )  # fmt: skip
    return purelib


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory) -> Path:
    """Scripts folder of a fresh environment with the wheel; libraries come from this one."""
    folder = tmp_path_factory.mktemp("fresh")
    purelib = fresh(folder, built)
    # After the fresh packages, and without the development install's own path files.
    (purelib / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    for kernel in (REPO / "kinematics").rglob("*.nb[ci]"):  # compiled already from these sources
        there = purelib / kernel.relative_to(REPO)
        there.parent.mkdir(exist_ok=True)
        shutil.copyfile(kernel, there)
    for source in (REPO / "kinematics").rglob("*.py"):  # whose age numba compares
        shutil.copystat(source, purelib / source.relative_to(REPO))
    return folder / "bin"


def required(built: Path, extra: str) -> list[Distribution]:
    """The distributions that the wheel asks for, with all that they ask for."""
    wheel = zipfile.ZipFile(next(built.glob("*.whl")))
    info = next(n.split("/")[0] for n in wheel.namelist() if ".dist-info/" in n)
    meta = email.message_from_bytes(wheel.read(f"{info}/METADATA"))
    found: dict[str, Distribution] = {}
    todo = [(r, extra) for r in meta.get_all("Requires-Dist")]
    while todo:
        text, wanted = todo.pop()
        requirement = Requirement(text)
        if requirement.marker and not requirement.marker.evaluate({"extra": wanted}):
            continue
        name = canonicalize_name(requirement.name)
        if name not in found and name != "hingewise":
            found[name] = distribution(name)
            todo += [(r, "") for r in found[name].requires or ()]
    return list(found.values())


@pytest.fixture(scope="module")
def core(built, tmp_path_factory) -> Path:
    """Scripts folder of a fresh environment with the wheel and what its core asks for, no more."""
    folder = tmp_path_factory.mktemp("core")
    purelib = fresh(folder, built)
    for library in required(built, ""):
        tops = {p.parts[0] for p in library.files or () if p.parts[0] != ".."}
        for top in tops - {"__pycache__"}:
            link = purelib / top
            if not link.exists():
                link.symlink_to(Path(str(library.locate_file(top))))
    return folder / "bin"


def test_wheel_holds_both_packages_and_the_demo_and_no_tests(built):
    names = zipfile.ZipFile(next(built.glob("*.whl"))).namelist()
    tops = {n.split("/")[0] for n in names}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"kinematics", "viewer"}
    sources = {
        str(path.relative_to(REPO))
        for package in ("kinematics", "viewer")
        for path in (REPO / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert len(sources) > 150, "the search found no sources"
    assert sources <= set(names)
    for needed in (
        "report/report.html.j2",
        "sample_meshes/demo_case.toml",
        "sample_meshes/upper.ply",
    ):
        assert f"viewer/{needed}" in names
    assert not [n for n in names if "test" in n.lower() or "__pycache__" in n]


def test_metadata_says_name_version_python_command_and_licence(built):
    from kinematics import __version__

    wheel = zipfile.ZipFile(next(built.glob("*.whl")))
    info = next(n.split("/")[0] for n in wheel.namelist() if ".dist-info/" in n)
    meta = email.message_from_bytes(wheel.read(f"{info}/METADATA"))
    assert meta["Name"] == "hingewise"
    assert meta["Version"] == __version__
    assert meta["Requires-Python"] == ">=3.11"
    assert "not a medical device" in meta.get_payload()
    assert b"hingewise = viewer.command.cli:main" in wheel.read(f"{info}/entry_points.txt")
    assert meta["License-Expression"] == "MIT"
    assert meta.get_all("License-File") == ["LICENSE"]
    assert [n for n in wheel.namelist() if n.endswith("LICENSE")]
    core = {Requirement(r).name for r in meta.get_all("Requires-Dist") if "extra ==" not in r}
    assert core == {"jinja2", "numba", "numpy", "pydantic", "rich", "scipy", "tomlkit", "trimesh"}


def test_the_core_alone_answers_the_question_and_names_the_extras(core, tmp_path):
    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(core / "hingewise"), *words], capture_output=True, text=True, cwd=tmp_path,
            env=ENV, timeout=300,
        )  # fmt: skip

    absent = subprocess.run(
        [str(core / "python"), "-c", "import matplotlib"], capture_output=True, env=ENV, text=True
    )
    assert "ModuleNotFoundError" in absent.stderr
    write_case(landmarks_only(), tmp_path / "case.toml")  # no casts: nothing to compile anew
    done = run("assess", "case.toml", "-o", "out")
    assert done.returncode == 0, done.stderr
    assert "displaces the teeth by up to" in " ".join(done.stdout.split())
    assert "pip install '.[report]'" in done.stderr
    assert {p.name for p in (tmp_path / "out").iterdir()} == {"landmarks.csv", "result.json"}
    assert run("start", "new", "--mounting", "average").returncode == 0
    assert run("inspect", "case.toml").returncode == 0
    refused = run("view", "case.toml")
    assert refused.returncode == 2
    assert "the extra 'app'" in refused.stderr


def test_sdist_holds_the_tests_and_nothing_private(built):
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        names = archive.getnames()
    parts = {n.partition("/")[2] for n in names}
    assert {"README.md", "pyproject.toml", "LICENSE", "tests/makers/cases.py"} <= parts
    scans = {f"tests/authorities/scans/{p.name}" for p in SCANS.iterdir() if p.is_file()}
    assert {"LICENSE.open_pair", "open_pair_upper.stl"} <= {n.rpartition("/")[2] for n in scans}
    assert scans <= parts, "the real casts belong to the tests, with their licences and sources"
    assert not [n for n in parts if ".venv" in n or "shared/" in n or "demo_out" in n]


def test_installed_command_works_outside_the_repository(installed, tmp_path):
    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [str(installed / "hingewise"), *words], capture_output=True, text=True, cwd=tmp_path,
            env=ENV | {"HINGEWISE_NO_GL": "1"}, timeout=300,
        )  # fmt: skip

    from kinematics import __version__

    assert run("--version").stdout.strip() == f"hingewise {__version__}"
    done = run("demo", "--no-pictures")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "demo_out" / "report.html").is_file()
    where = subprocess.run(
        [str(installed / "python"), "-c", "import kinematics, viewer; print(kinematics.__file__)"],
        capture_output=True, text=True, cwd=tmp_path, env=ENV,
    )  # fmt: skip
    assert Path(where.stdout.strip()).is_relative_to(installed.parent)


def test_tests_of_the_sdist_run_outside_the_repository(built, installed, tmp_path):
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        archive.extractall(tmp_path, filter="data")
    (folder,) = tmp_path.iterdir()
    done = subprocess.run(
        [str(installed / "python"), "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider",
         "tests/base/test_axis.py", "tests/case/test_read.py", "tests/mounting/test_marks.py"],
        capture_output=True, text=True, cwd=folder, env=ENV, timeout=400,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]


def test_help_of_the_installed_command_loads_none_of_its_libraries(installed, tmp_path):
    """What keeps the start short; its time is measured in `benchmarks/test_speed.py`."""
    python, command = installed / "python", installed / "hingewise"
    done = subprocess.run(
        [str(python), "-X", "importtime", str(command), "--help"],
        check=True, capture_output=True, text=True, cwd=tmp_path, env=ENV,
    )  # fmt: skip
    loaded = {line.rpartition("|")[2].strip() for line in done.stderr.splitlines()}
    assert "viewer.command.cli" in loaded
    libraries = {Requirement(r).name for r in distribution("hingewise").requires or []}
    assert {"numpy", "scipy", "trimesh", "pyvista"} <= libraries
    assert not {name.partition(".")[0] for name in loaded} & (libraries | {"vtk", "vtkmodules"})
