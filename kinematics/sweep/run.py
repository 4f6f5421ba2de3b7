"""Run a study chunk by chunk, locally or on a Dask cluster, and take up where it stopped."""

from __future__ import annotations

import os
import pickle
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from multiprocessing.connection import wait as wait_for
from pathlib import Path
from typing import Any

from kinematics.base.errors import HingewiseError, InputError
from kinematics.base.files import write_file
from kinematics.sweep.design import check_design
from kinematics.sweep.rows import SweepJob, evaluate_chunk, sweep_job
from kinematics.sweep.store import REFUSAL, SweepFolder, column, encode_part, parquet, part_name
from kinematics.sweep.study import Study, read_study

__all__ = ["SweepProgress", "SweepResult", "column", "read_study", "read_sweep", "run_sweep"]

MAX_ATTEMPTS = 3
"""A chunk whose worker died this often in a row ends the run (ours)."""

CONNECT_SECONDS = 15.0
"""How long a scheduler may take to answer (ours)."""

BYTES_PER_NUMBER = 8.5
"""Space that a number takes in a part, about (measured here: varied floats hardly compress)."""


@dataclass(frozen=True)
class SweepProgress:
    """How far a sweep is; ``rows_per_second`` counts this run's rows only."""

    rows_done: int
    rows_total: int
    rows_per_second: float
    seconds_left: float


@dataclass(frozen=True, eq=False)
class SweepResult:
    """What a run did: rows in all, rows refused or without closure, parts kept and made."""

    folder: Path
    rows: int
    rows_without_result: int
    parts_kept: int
    parts_made: int
    seconds: float


Report = Callable[[SweepProgress], None]


def run_sweep(
    study: Study,
    out_folder: Path | str,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Report | None = None,
    study_text: str | None = None,
) -> SweepResult:
    """Compute a study's rows into a folder.

    Parameters
    ----------
    study : Study
        From :func:`kinematics.sweep.study.read_study`.
    out_folder : Path or str
        Made if missing. Finished parts of the same study in it are kept.
    workers : int, optional
        Local processes; all usable cores by default, 1 computes in this process.
    scheduler : str, optional
        Address of a running Dask scheduler (extra ``cluster``) instead of local processes.
    progress : callable, optional
        Called with a :class:`SweepProgress` after each part.
    study_text : str, optional
        Text of the study file, stored beside the data.

    Raises
    ------
    InputError
        The study cannot be run; the folder holds another study, foreign or damaged files; the
        disk is full (what is finished stays); a worker died again and again.

    Notes
    -----
    *Guarantee*: each part is written whole or not at all, so a killed worker, a killed run or a
    full disk loses no finished part; the next run computes what is missing. Rows depend on study,
    case and row number only: any number of workers, locally or on a cluster, gives the same rows.

    Examples
    --------
    >>> import tempfile
    >>> from kinematics import case_from_dict, read_sweep, run_sweep, write_case
    >>> from kinematics.sweep.study import study_from_dict
    >>> case = case_from_dict({
    ...     "schema": "hingewise-case/1", "label": "case 1", "true_axis": {"width_mm": 110.0},
    ...     "landmarks": [{"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]}],
    ...     "record": {"thickness_mm": 3.0, "site": "incisors"}, "target": {"as_scanned": True},
    ...     "arbitrary_axis": {
    ...         "left_anterior_mm": 5.0, "left_superior_mm": 0.0,
    ...         "right_anterior_mm": 5.0, "right_superior_mm": 0.0,
    ...     },
    ... })
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_case(case, folder + "/case.toml")
    ...     study = study_from_dict({
    ...         "schema": "hingewise-study/1", "case": "case.toml", "design": "grid",
    ...         "vary": [{"field": "record.thickness_mm", "low": 1.0, "high": 5.0, "steps": 3}],
    ...     }, folder=folder)
    ...     run_sweep(study, folder + "/rows", workers=1).rows
    ...     table = read_sweep(study, folder + "/rows")
    3
    >>> table.column("record.thickness_mm").to_pylist()
    [1.0, 3.0, 5.0]
    """
    parquet()
    if workers is not None and workers < 1:
        raise InputError("workers", f"{workers}", "at least 1", "Leave it out for all cores.")
    check_design(study)
    folder = SweepFolder(out_folder, study)
    begun = time.monotonic()
    with folder.locked():
        todo = folder.open(study_text)
        kept = study.chunks - len(todo)
        if todo:
            job = sweep_job(study)
            check_space(folder, job, len(todo))
            rows_done = study.samples - sum(len(study.rows_of(i)) for i in todo)
            start = rows_done
            if progress is not None:
                progress(SweepProgress(rows_done, study.samples, 0.0, float("nan")))
            for chunk, content in finished_parts(job, folder, todo, workers, scheduler):
                write_file(folder.folder / part_name(chunk), content, REFUSAL)
                rows_done += len(study.rows_of(chunk))
                if progress is not None:
                    rate = (rows_done - start) / max(time.monotonic() - begun, 1e-9)
                    left = (study.samples - rows_done) / rate
                    progress(SweepProgress(rows_done, study.samples, rate, left))
        bad = sum(
            int((column(folder.read_part(i), "status") != "ok").sum()) for i in range(study.chunks)
        )
    return SweepResult(folder.folder, study.samples, bad, kept, len(todo), time.monotonic() - begun)


def read_sweep(study: Study, out_folder: Path | str) -> Any:
    """Read a finished sweep as one ``pyarrow.Table``, rows in order, every part checked.

    Raises
    ------
    InputError
        Parts are missing, damaged or of another study.
    """
    import pyarrow as pa

    folder = SweepFolder(out_folder, study)
    missing = [i for i in range(study.chunks) if not (folder.folder / part_name(i)).exists()]
    if missing:
        got = f"{study.chunks - len(missing)} of {study.chunks} parts"
        fix = "Run the sweep again: it computes only what is missing."
        raise InputError("out", got, "all parts", fix, folder.folder)
    return pa.concat_tables(folder.read_part(i) for i in range(study.chunks))


def check_space(folder: SweepFolder, job: SweepJob, chunks: int) -> None:
    """Refuse a run that the disk has no room for."""
    study = job.study
    numbers = 10 + len(study.vary) + len(study.stops) * (4 + 4 * len(job.landmark_index))
    need = min(chunks * study.chunk, study.samples) * numbers * BYTES_PER_NUMBER
    free = shutil.disk_usage(folder.folder).free
    if need > free:
        got = f"{study.samples:,} rows, about {need / 1e9:.1f} GB"
        fix = "Take fewer samples or landmarks, or another disk."
        raise InputError(
            "samples", got, f"room on the disk ({free / 1e9:.1f} GB free)", fix, folder.folder
        )


def finished_parts(
    job: SweepJob, folder: SweepFolder, todo: list[int], workers: int | None, scheduler: str | None
) -> Iterator[tuple[int, bytes]]:
    """Finished chunks as (chunk, bytes of its part), in whatever order they come."""
    study_digest = folder.digest
    if scheduler is not None:
        yield from on_cluster(job, study_digest, todo, scheduler)
        return
    count = min(workers or len(os.sched_getaffinity(0)), len(todo))
    if count == 1:
        for chunk in todo:
            yield chunk, encode_part(evaluate_chunk(job, chunk, threads=None), study_digest, chunk)
        return
    yield from on_processes(job, study_digest, todo, count, folder.folder)


_JOB: tuple[SweepJob, str, Path] | None = None


def start_worker(payload: bytes) -> None:
    """Take in the job, once a worker process."""
    global _JOB
    threading.Thread(target=end_with_parent, daemon=True).start()
    _JOB = pickle.loads(payload)


def end_with_parent() -> None:
    """End this worker when the run is killed: it would wait for work for ever otherwise."""
    parent = parent_process()
    if parent is not None:
        wait_for([parent.sentinel])
        os._exit(1)


def work(chunk: int) -> str:
    """Compute a chunk into a file of its own and return the file's name.

    A worker that dies while it hands a large result back leaves half of it in the pool's pipe,
    and the pool waits for the rest for ever; a name passes in one piece.
    """
    assert _JOB is not None
    job, study_digest, folder = _JOB
    content = encode_part(evaluate_chunk(job, chunk), study_digest, chunk)
    staged = folder / f".part-{chunk:06d}-{os.getpid()}.tmp"
    try:
        staged.write_bytes(content)
    except OSError as error:
        staged.unlink(missing_ok=True)
        raise REFUSAL.error(staged, error) from None
    return staged.name


def on_processes(
    job: SweepJob, study_digest: str, todo: list[int], workers: int, folder: Path
) -> Iterator[tuple[int, bytes]]:
    """Finished chunks from local processes; a worker that dies is replaced."""
    payload = pickle.dumps((job, study_digest, folder))
    left, attempts = list(todo), 0
    while left:
        pool = ProcessPoolExecutor(
            workers, get_context("spawn"), initializer=start_worker, initargs=(payload,)
        )
        waiting = iter(list(left))
        running: dict[Future[str], int] = {}
        try:
            for chunk in waiting:
                running[pool.submit(work, chunk)] = chunk
                if len(running) >= 2 * workers:
                    break
            while running:
                done, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in done:
                    chunk = running.pop(future)
                    staged = folder / future.result()
                    content = staged.read_bytes()
                    staged.unlink()
                    left.remove(chunk)
                    attempts = 0
                    yield chunk, content
                    following = next(waiting, None)
                    if following is not None:
                        running[pool.submit(work, following)] = following
        except BrokenProcessPool:
            attempts += 1
            if attempts >= MAX_ATTEMPTS:
                got = f"worker processes that died {attempts} times in a row"
                fix = "Memory may be short: use fewer workers. What is finished stays; run again."
                raise InputError("workers", got, "workers that stay alive", fix) from None
        finally:
            pool.shutdown(wait=True, cancel_futures=True)
            for staged in folder.glob(".part-*-*.tmp"):
                staged.unlink(missing_ok=True)


def on_cluster(
    job: SweepJob, study_digest: str, todo: list[int], address: str
) -> Iterator[tuple[int, bytes]]:
    """Finished chunks from a Dask cluster."""
    try:
        from distributed import Client, as_completed
    except ImportError:
        fix = "In the project's folder: pip install '.[cluster]'"
        raise InputError("scheduler", "no dask", "the extra 'cluster'", fix) from None
    try:
        client = Client(address, timeout=CONNECT_SECONDS)
    except (OSError, TimeoutError, ValueError) as error:
        got = f"{address} ({type(error).__name__})"
        fix = "Start it, or leave --scheduler out to run here."
        raise InputError("scheduler", got, "the address of a running Dask scheduler", fix) from None
    with client:
        if not client.scheduler_info().get("workers"):
            got = f"{address} without workers"
            raise InputError("scheduler", got, "at least one worker", "Start workers.")
        shared = client.scatter((job, study_digest), broadcast=True)
        waiting = iter(todo)
        at_once = 4 * max(1, sum(client.nthreads().values()))

        def send() -> Any:
            chunk = next(waiting, None)
            if chunk is None:
                return None
            return client.submit(work_on_cluster, shared, chunk, pure=False, retries=MAX_ATTEMPTS)

        first = [f for f in (send() for _ in range(at_once)) if f is not None]
        pending = as_completed(first)
        for future in pending:
            try:
                chunk, content = future.result()
            except HingewiseError:
                raise
            except Exception as error:  # the cluster's own failures have many types
                got = f"a failed task ({type(error).__name__}: {error})"
                need = "workers with this version of hingewise"
                fix = "Look at the workers' logs. What is finished stays; run again."
                raise InputError("scheduler", got, need, fix) from error
            future.release()
            yield chunk, content
            following = send()
            if following is not None:
                pending.add(following)


def work_on_cluster(shared: tuple[SweepJob, str], chunk: int) -> tuple[int, bytes]:
    """Compute a chunk on the cluster."""
    job, study_digest = shared
    return chunk, encode_part(evaluate_chunk(job, chunk), study_digest, chunk)
