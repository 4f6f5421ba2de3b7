"""Sweeps: the same rows however they are run, and nothing finished is ever lost."""

from __future__ import annotations

import json
import os
import pickle
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import write_case
from kinematics.sweep.run import read_sweep, run_sweep
from kinematics.sweep.store import MANIFEST, SweepFolder, column, difference, part_name
from kinematics.sweep.study import digest, read_study, study_from_dict
from tests import REPO
from tests.makers.cases import landmarks_only
from tests.makers.small_study import RUN, casts_case, make_study


def make_files(folder: Path, **changes):
    """The study as a file, with its case beside it; returns the file."""
    study = make_study(folder, **changes)
    lines = [
        'schema = "hingewise-study/1"',
        'case = "case.toml"',
        f'design = "{study.design}"',
        f"samples = {study.samples}",
        f"seed = {study.seed}",
        f"chunk = {study.chunk}",
    ]
    for v in study.vary:
        ends = ("low", "high") if v.kind == "range" else ("mean", "sd")
        lines += ["[[vary]]", f'field = "{v.field}"']
        lines += [f"{ends[0]} = {v.low}", f"{ends[1]} = {v.high}"]
    path = folder / "study.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert read_study(path).identity() == study.identity()
    return path


def start(study_path: Path, out: Path, workers: int, what: str) -> subprocess.Popen[str]:
    script = study_path.parent / "run.py"
    script.write_text(RUN, encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(REPO)}
    return subprocess.Popen(
        [sys.executable, str(script), str(study_path), str(out), str(workers), what],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The table of an undisturbed run."""
    folder = tmp_path_factory.mktemp("whole")
    study = make_study(folder)
    run_sweep(study, folder / "out", workers=1)
    return read_sweep(study, folder / "out")


@pytest.mark.parametrize("workers", [pytest.param(2, marks=pytest.mark.long), 3])
def test_rows_are_identical_for_any_number_of_workers(tmp_path, whole, workers):
    study = make_study(tmp_path)
    run_sweep(study, tmp_path / "one", workers=1)
    result = run_sweep(study, tmp_path / "out", workers=workers)
    assert result.rows == 45
    assert result.parts_made == 5
    assert read_sweep(study, tmp_path / "out").equals(whole)
    one, many = (tmp_path / name / part_name(2) for name in ("one", "out"))
    assert one.read_bytes() == many.read_bytes()


def test_first_contacts_are_identical_for_any_number_of_workers(tmp_path):
    changes = casts_case(tmp_path)
    vary = [
        {"field": f"arbitrary_axis.{side}_superior_mm", "low": -6.0, "high": 6.0}
        for side in ("left", "right")
    ]
    study = make_study(tmp_path, changes, first_contact=True, samples=30, vary=vary)
    run_sweep(study, tmp_path / "one", workers=1)
    run_sweep(study, tmp_path / "two", workers=2)
    one, two = (read_sweep(study, tmp_path / n) for n in ("one", "two"))
    assert one.equals(two)
    assert set(column(one, "contact_status.arbitrary").tolist()) == {"contact"}


def test_progress_counts_up_to_all_rows(tmp_path):
    seen = []
    study = make_study(tmp_path)
    run_sweep(study, tmp_path / "out", workers=1, progress=seen.append)
    assert [p.rows_done for p in seen] == [0, 10, 20, 30, 40, 45]
    assert all(p.rows_total == 45 for p in seen)
    assert seen[-1].seconds_left == 0.0
    assert seen[-1].rows_per_second > 0.0


def test_the_study_its_seed_and_the_versions_lie_beside_the_data(tmp_path):
    path = make_files(tmp_path)
    study, text = read_study(path), path.read_text(encoding="utf-8")
    run_sweep(study, tmp_path / "out", workers=1, study_text=text)
    assert (tmp_path / "out" / "study.toml").read_text(encoding="utf-8") == text
    told = json.loads((tmp_path / "out" / MANIFEST).read_text(encoding="utf-8"))
    assert told["seed"] == 3
    assert told["digest"] == digest(study.identity())
    assert told["versions"]["numpy"] == np.__version__
    assert told["identity"]["case"]["label"] == "hand"


def test_a_finished_sweep_is_not_computed_again(tmp_path, whole):
    study = make_study(tmp_path)
    run_sweep(study, tmp_path / "out", workers=1)
    stamps = {p: p.stat().st_mtime_ns for p in (tmp_path / "out").glob("*.parquet")}
    result = run_sweep(study, tmp_path / "out", workers=1)
    assert (result.parts_kept, result.parts_made) == (5, 0)
    assert {p: p.stat().st_mtime_ns for p in stamps} == stamps


@pytest.mark.parametrize("workers", [pytest.param(1, marks=pytest.mark.long), 2])
def test_kill_9_in_the_middle_loses_no_finished_part(tmp_path, whole, workers):
    path, out = make_files(tmp_path), tmp_path / "out"
    running = start(path, out, workers, "slow")
    assert running.stdout is not None
    for line in running.stdout:
        if int(line) >= 20:
            break
    children = psutil.Process(running.pid).children(recursive=True)
    os.kill(running.pid, signal.SIGKILL)
    assert running.wait(timeout=60) == -signal.SIGKILL
    _, left = psutil.wait_procs(children, timeout=60)
    assert not left  # no worker outlives the run
    finished = sorted(p.name for p in out.glob("*.parquet"))
    assert 2 <= len(finished) < 5
    before = {name: (out / name).read_bytes() for name in finished}
    result = run_sweep(read_study(path), out, workers=1)
    assert result.parts_kept == len(finished)
    assert result.parts_made == 5 - len(finished)
    assert {name: (out / name).read_bytes() for name in finished} == before
    assert read_sweep(read_study(path), out).equals(whole)
    assert not list(out.glob(".part-*"))


def test_a_killed_worker_costs_its_chunk_only(tmp_path, whole):
    study, killed = make_study(tmp_path), []

    def kill_one(p):
        if p.rows_done >= 10 and not killed:
            workers = [
                c for c in psutil.Process().children() if "spawn_main" in " ".join(c.cmdline())
            ]
            workers[0].kill()
            killed.append(workers[0].pid)

    result = run_sweep(study, tmp_path / "out", workers=2, progress=kill_one)
    assert killed
    assert result.parts_made == 5
    assert read_sweep(study, tmp_path / "out").equals(whole)


def test_a_full_disk_says_so_and_keeps_what_is_finished(tmp_path, whole):
    path, out = make_files(tmp_path), tmp_path / "out"
    running = start(path, out, 1, "full")
    told, _ = running.communicate(timeout=120)
    assert running.returncode == 2
    assert "no space left on the disk" in told
    assert "what is finished stays" in told
    assert sorted(p.name for p in out.glob("*.parquet")) == [part_name(0), part_name(1)]
    result = run_sweep(read_study(path), out, workers=1)
    assert result.parts_kept == 2
    assert read_sweep(read_study(path), out).equals(whole)


def test_a_leftover_of_a_part_half_written_is_cleared_away(tmp_path, whole):
    study, out = make_study(tmp_path), tmp_path / "out"
    run_sweep(study, out, workers=1)
    content = (out / part_name(3)).read_bytes()
    (out / part_name(3)).unlink()
    (out / f".{part_name(3)}.abc.tmp").write_bytes(content[: len(content) // 2])
    run_sweep(study, out, workers=1)
    assert read_sweep(study, out).equals(whole)
    assert not list(out.glob(".part-*"))


def test_a_changed_study_is_refused_and_says_what_changed(tmp_path):
    run_sweep(make_study(tmp_path), tmp_path / "out", workers=1)
    before = {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()}
    for changes, text in (
        ({"seed": 4}, "study.seed: 3 then, 4 now"),
        ({"samples": 60}, "study.samples: 45 then, 60 now"),
    ):
        with pytest.raises(InputError, match=text):
            run_sweep(make_study(tmp_path, **changes), tmp_path / "out", workers=1)
    other = {"decision": {"tolerance_mm": 0.2}}
    with pytest.raises(InputError, match="never mixed") as caught:
        run_sweep(make_study(tmp_path, other), tmp_path / "out", workers=1)
    assert "decision" in str(caught.value)
    assert {p.name: p.read_bytes() for p in (tmp_path / "out").iterdir()} == before


def test_a_changed_mesh_is_refused(tmp_path):
    study = make_study(tmp_path, casts_case(tmp_path))
    run_sweep(study, tmp_path / "out", workers=1)
    shutil.copyfile(tmp_path / "upper.stl", tmp_path / "lower.stl")
    with pytest.raises(InputError, match=r"meshes\.lower"):
        run_sweep(study, tmp_path / "out", workers=1)


@pytest.mark.parametrize("where", ["cut", "flipped", "empty", "text"])
def test_a_damaged_part_is_named_with_what_to_do(tmp_path, whole, where):
    study, out = make_study(tmp_path), tmp_path / "out"
    run_sweep(study, out, workers=1)
    path = out / part_name(1)
    content = bytearray(path.read_bytes())
    if where == "cut":
        content = content[:-20]
    elif where == "flipped":
        content[200] ^= 0x40
    else:
        content = bytearray(b"" if where == "empty" else b"hello")
    path.write_bytes(bytes(content))
    with pytest.raises(InputError, match="Delete that file") as caught:
        run_sweep(study, out, workers=1)
    assert part_name(1) in str(caught.value)
    path.unlink()
    assert run_sweep(study, out, workers=1).parts_made == 1
    assert read_sweep(study, out).equals(whole)


def test_foreign_parquet_is_never_mixed_in(tmp_path):
    study, out = make_study(tmp_path), tmp_path / "out"
    out.mkdir()
    table = pa.table({"sample": list(range(10))})
    pq.write_table(table, out / "mine.parquet")
    with pytest.raises(InputError, match="something else"):
        run_sweep(study, out, workers=1)
    assert sorted(p.name for p in out.iterdir()) == [".running", "mine.parquet"]
    (out / "mine.parquet").unlink()
    run_sweep(study, out, workers=1)
    pq.write_table(table, out / "mine.parquet")
    with pytest.raises(InputError, match="not of this sweep"):
        run_sweep(study, out, workers=1)
    (out / "mine.parquet").unlink()
    pq.write_table(table, out / part_name(0))
    with pytest.raises(InputError, match="another study or place"):
        run_sweep(study, out, workers=1)


def test_a_part_in_another_s_place_is_found(tmp_path):
    study, out = make_study(tmp_path), tmp_path / "out"
    run_sweep(study, out, workers=1)
    shutil.copyfile(out / part_name(1), out / part_name(2))
    with pytest.raises(InputError, match="another study or place"):
        run_sweep(study, out, workers=1)


def test_a_damaged_manifest_is_refused(tmp_path):
    study, out = make_study(tmp_path), tmp_path / "out"
    run_sweep(study, out, workers=1)
    (out / MANIFEST).write_text("{", encoding="utf-8")
    with pytest.raises(InputError, match=r"sweep\.json"):
        run_sweep(study, out, workers=1)


def test_two_runs_in_one_folder_are_refused(tmp_path):
    study = make_study(tmp_path)
    with (
        SweepFolder(tmp_path / "out", study).locked(),
        pytest.raises(InputError, match="still running"),
    ):
        run_sweep(study, tmp_path / "out", workers=1)


def test_an_unfinished_sweep_is_not_read_as_a_whole(tmp_path):
    study, out = make_study(tmp_path), tmp_path / "out"
    run_sweep(study, out, workers=1)
    (out / part_name(4)).unlink()
    with pytest.raises(InputError, match="4 of 5 parts"):
        read_sweep(study, out)


def test_rows_that_would_not_fit_on_the_disk_are_refused_with_their_size(tmp_path, monkeypatch):
    usage = shutil._ntuple_diskusage(10**9, 10**9 - 1000, 1000)
    monkeypatch.setattr("kinematics.sweep.run.shutil.disk_usage", lambda path: usage)
    with pytest.raises(InputError, match="GB free"):
        run_sweep(make_study(tmp_path), tmp_path / "out", workers=1)


def test_the_room_asked_for_is_about_what_the_rows_take(tmp_path, monkeypatch, whole):
    study = make_study(tmp_path)

    def disk_with(free):
        usage = shutil._ntuple_diskusage(10**9, 10**9 - free, free)
        monkeypatch.setattr("kinematics.sweep.run.shutil.disk_usage", lambda path: usage)

    def begun(*_):
        raise InterruptedError

    monkeypatch.setattr("kinematics.sweep.run.finished_parts", begun)
    disk_with(int(0.8 * whole.nbytes))
    with pytest.raises(InputError, match="GB free"):
        run_sweep(study, tmp_path / "out", workers=1)
    disk_with(int(1.6 * whole.nbytes))
    with pytest.raises(InterruptedError):
        run_sweep(study, tmp_path / "out", workers=1)


def test_settings_that_cannot_be_meant_are_refused(tmp_path):
    study = make_study(tmp_path)
    with pytest.raises(InputError, match="workers"):
        run_sweep(study, tmp_path / "out", workers=0)
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match="folder that can be written"):
        run_sweep(study, tmp_path / "file", workers=1)


def test_a_scheduler_that_does_not_answer_is_named(tmp_path, monkeypatch):
    pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    monkeypatch.setattr("kinematics.sweep.run.CONNECT_SECONDS", 1.0)
    with pytest.raises(InputError, match=r"127\.0\.0\.1:9"):
        run_sweep(make_study(tmp_path), tmp_path / "out", scheduler="tcp://127.0.0.1:9")
    with pytest.raises(InputError, match=r"nowhere://127\.0\.0\.1:9 \(ValueError\)"):
        run_sweep(make_study(tmp_path), tmp_path / "out", scheduler="nowhere://127.0.0.1:9")


def test_a_cluster_gives_the_same_rows_and_survives_a_killed_worker(tmp_path, whole):
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    study = make_study(tmp_path)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        first = run_sweep(study, tmp_path / "out", scheduler=cluster.scheduler_address)
        assert first.parts_made == 5
        assert read_sweep(study, tmp_path / "out").equals(whole)
        killed = []

        def kill_one(p):
            if p.rows_done >= 10 and not killed:
                worker = next(iter(cluster.workers.values()))
                killed.append(worker.process.pid)
                os.kill(worker.process.pid, signal.SIGKILL)

        run_sweep(study, tmp_path / "again", scheduler=cluster.scheduler_address, progress=kill_one)
        assert killed
        assert read_sweep(study, tmp_path / "again").equals(whole)


def test_the_first_difference_is_told_in_words():
    assert difference({"a": {"b": 1}}, {"a": {"b": 2}}) == "a.b: 1 then, 2 now"
    assert difference({"a": 1}, {"a": 1, "c": 2}) == "c is new"
    assert difference({"a": [1, 2]}, {"a": [1, 3]}) == "a.1: 2 then, 3 now"


def test_an_error_keeps_its_fields_on_the_way_from_a_worker():
    error = InputError("out", "no space", "room", "Free some.", "here")
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert again.fix == "Free some."


def test_a_sweep_on_a_cluster_without_its_library_names_the_extra(tmp_path, monkeypatch):
    write_case(landmarks_only(), tmp_path / "case.toml")
    vary = [{"field": "record.thickness_mm", "low": 1.0, "high": 2.0}]
    study = {"schema": "hingewise-study/1", "case": "case.toml", "samples": 4, "vary": vary}
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="the extra 'cluster'"):
        run_sweep(study_from_dict(study, folder=tmp_path), tmp_path / "out", scheduler="tcp://x:1")
