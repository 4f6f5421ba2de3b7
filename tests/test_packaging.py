"""The wheel and the sdist: what is in them, and that they work outside the repository."""

from __future__ import annotations

import email
import os
import subprocess
import sys
import sysconfig
import tarfile
import time
import venv
import zipfile
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[1]
ENV = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """Folder with wheel and sdist; skips where the build tools cannot be had."""
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


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory) -> Path:
    """Scripts folder of a fresh environment with the wheel; libraries come from this one."""
    folder = tmp_path_factory.mktemp("fresh")
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
    # After the fresh packages, and without the development install's own path files.
    (purelib / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    return folder / "bin"


def test_wheel_holds_both_packages_and_the_demo_and_no_tests(built):
    names = zipfile.ZipFile(next(built.glob("*.whl"))).namelist()
    tops = {n.split("/")[0] for n in names}
    assert {t for t in tops if not t.endswith(".dist-info")} == {"kinematics", "viewer"}
    for source in (*(REPO / "kinematics").glob("*.py"), *(REPO / "viewer").glob("*.py")):
        assert f"{source.parent.name}/{source.name}" in names
    for needed in ("report.html.j2", "sample_meshes/demo_case.toml", "sample_meshes/upper.ply"):
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
    assert b"hingewise = viewer.cli:main" in wheel.read(f"{info}/entry_points.txt")
    assert [n for n in wheel.namelist() if n.endswith("LICENSE")]
    core = [r for r in meta.get_all("Requires-Dist") if "extra ==" not in r]
    assert not [r for r in core if r.startswith(("trame", "dask", "pyarrow", "pytest"))]


def test_sdist_holds_the_tests_and_nothing_private(built):
    with tarfile.open(next(built.glob("*.tar.gz"))) as archive:
        names = archive.getnames()
    parts = {n.partition("/")[2] for n in names}
    assert {"README.md", "pyproject.toml", "LICENSE", "tests/cases.py"} <= parts
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
         "tests/test_axis.py", "tests/test_case.py", "tests/test_marks.py"],
        capture_output=True, text=True, cwd=folder, env=ENV, timeout=400,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-3000:]


def test_help_starts_without_the_heavy_libraries(installed, tmp_path):
    """CPU time against an empty program is printed; only a coarse ratio is asserted."""

    def cpu(*words: str) -> float:
        best = float("inf")
        for _ in range(5):
            before = os.times()
            subprocess.run(words, check=True, capture_output=True, cwd=tmp_path, env=ENV)
            after = os.times()
            best = min(best, sum(after[2:4]) - sum(before[2:4]))
        return best

    start = time.perf_counter()
    empty = cpu(str(installed / "python"), "-c", "pass")
    ours = cpu(str(installed / "hingewise"), "--help")
    took = time.perf_counter() - start
    print(f"--help {ours:.3f} s CPU, empty {empty:.3f} s, ratio {ours / empty:.1f}, {took:.1f} s")
    assert ours < 25 * empty
