"""The core alone: without the extras' libraries, one clear line and the numbers all the same."""

from __future__ import annotations

import json
import sys

import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import write_case
from tests.makers.cases import landmarks_only
from viewer.command.cli import main
from viewer.look import extras
from viewer.scene import render as draw


@pytest.fixture
def without(monkeypatch):
    """Hide modules from every import."""

    def hide(*modules: str) -> None:
        for module in modules:
            loaded = [m for m in sys.modules if m.partition(".")[0] == module]
            for name in loaded:
                monkeypatch.delitem(sys.modules, name)
            monkeypatch.setitem(sys.modules, module, None)

    draw.probe_gl.cache_clear()
    yield hide
    draw.probe_gl.cache_clear()


@pytest.fixture
def case(tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    return tmp_path / "case.toml"


def run(*words) -> int:
    return main([str(w) for w in words])


@pytest.mark.parametrize("talk", [[], ["--json"], ["--quiet"]])
def test_assess_without_matplotlib_gives_the_numbers_and_says_what_is_left_out(
    talk, case, tmp_path, without, capsys
):
    without("matplotlib", "pyvista")
    out = tmp_path / "out"
    out.mkdir()
    (out / "report.html").write_text("of an earlier run")
    assert run("assess", case, "-o", out, *talk) == 0
    told = capsys.readouterr()
    assert {p.name for p in out.iterdir()} == {"result.json", "landmarks.csv"}
    result = json.loads((out / "result.json").read_text())
    assert result["label"] == "landmarks only"
    if "--json" in talk:
        assert json.loads(told.out)["label"] == "landmarks only"
    if "--quiet" in talk:
        assert told.err == ""
    else:
        assert told.err == (
            "hingewise: report.html and the figures are left out: no matplotlib. "
            "In the project's folder: pip install '.[report]'\n"
        )


def test_assess_without_pyvista_writes_the_report(case, tmp_path, without, capsys):
    without("pyvista")
    assert run("assess", case, "-o", tmp_path / "out") == 0
    assert (tmp_path / "out" / "report.html").is_file()
    assert "3-D pictures are left out: no pyvista" in capsys.readouterr().err
    status = draw.probe_gl()
    assert not status.ok
    assert "'.[pictures]'" in status.reason


@pytest.mark.parametrize(
    ("words", "hidden", "extra"),
    [
        (["view"], "trame", "app"),
        (["view"], "aiohttp", "app"),
        (["view"], "pyvista", "pictures"),
        (["view", "--window"], "pyvista", "pictures"),
    ],
)
def test_a_job_without_its_library_ends_with_2_and_names_the_extra(
    words, hidden, extra, case, without, capsys
):
    without(hidden)
    assert run(*words, case) == 2
    told = capsys.readouterr().err
    assert told.startswith("hingewise: error: ")
    assert f"no {hidden}, need the extra '{extra}'" in told
    assert len(told.splitlines()) == 1


def test_a_sweep_without_pyarrow_names_the_extra(case, tmp_path, without, capsys):
    (tmp_path / "study.toml").write_text(
        'schema = "hingewise-study/1"\ncase = "case.toml"\nsamples = 4\n'
        '[[vary]]\nfield = "arbitrary_axis.left_anterior_mm"\nlow = 0.0\nhigh = 8.0\n'
    )
    without("pyarrow")
    assert run("sweep", tmp_path / "study.toml", "-o", tmp_path / "rows") == 2
    told = capsys.readouterr().err
    assert "the extra 'sweep'" in told
    assert not (tmp_path / "rows").exists()


def test_inspect_start_and_demo_need_no_extra(case, tmp_path, without, capsys):
    without(*extras.EXTRA_OF, "pyarrow", "dask", "distributed", "trimesh")
    assert run("inspect", case) == 0
    assert run("start", tmp_path / "new", "--mounting", "average") == 0
    assert run("demo", "-o", tmp_path / "demo") == 0
    assert (tmp_path / "demo" / "lower_error_map.ply").is_file()


def test_a_film_and_an_exported_report_name_their_extra(without):
    from viewer.app.export import export
    from viewer.scene.film import write_animation

    without("imageio", "matplotlib")
    with pytest.raises(InputError, match="the extra 'app'"):
        write_animation(None, "a.gif")
    with pytest.raises(InputError, match="the extra 'report'"):
        export(_Reading(), "report", ".", "light", "left", 1)


class _Reading:
    case = landmarks_only()
