"""Do one job over and over, with a kill or a full disk at its first, second ... system call.

``every_fault.py JOB FAULT FOLDER``: JOB is ``publish``, ``files``, ``start`` (into a folder without
the files) or ``restart`` (``--force``, over files of other answers), FAULT ``kill`` or ``full``.
Prints how many places were tried; the first broken promise ends it with a message.
"""

from __future__ import annotations

import errno
import itertools
import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path

from kinematics.base.errors import InputError
from kinematics.base.files import write_files
from kinematics.case.template import template
from tests import REPO
from viewer.command.recording_sheet import recording_sheet_html
from viewer.command.start import CASE_FILE, SHEET_FILE, start_case
from viewer.report.outputs import OUTPUT_FILES, REFUSAL, publish, staged

OLD = [n for n in OUTPUT_FILES if n not in ("arcs.png", "decision_chart.png")]
NEW = [n for n in OUTPUT_FILES if n not in ("lower_error_map.ply", "casts_and_axes.png")]
PAIR = [CASE_FILE, SHEET_FILE]
STARTED = {CASE_FILE: template("matrix", []), SHEET_FILE: recording_sheet_html("matrix", [])}
UNTOUCHED, DONE, REFUSED, WRONG = 0, 2, 3, 4
"""How a child ended: the job met no fault, met one and managed, refused, or went wrong."""


def fault_at(place: int, fault: str) -> Callable[[], bool]:
    """Let call number ``place`` of the operating system fail; says whether it came to that."""
    seen, met = 0, False

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        nonlocal seen, met
        if met or not (event == "open" or event.startswith(("os.", "tempfile."))):
            return
        if fault == "full" and str(arguments[:1]).startswith(f"('{REPO}"):
            return  # a full disk stops no reading of the program's own files
        seen += 1
        if seen != place:
            return
        met = True
        if fault == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        raise OSError(errno.ENOSPC, "No space left on device")

    sys.addaudithook(hook)
    return lambda: met


def publish_job(folder: Path) -> None:
    try:
        with staged(folder) as stage:
            for name in NEW:
                (stage / name).write_text("new")
            publish(stage, folder)
    except OSError as error:
        raise REFUSAL.error(folder, error) from None


def files_job(folder: Path) -> None:
    write_files({folder / name: "new" for name in PAIR})


def start_job(folder: Path) -> None:
    start_case(folder, "matrix", [])


def restart_job(folder: Path) -> None:
    start_case(folder, "matrix", [], force=True)


def reset(folder: Path, names: list[str]) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    for name in (*names, "notes.txt"):
        (folder / name).write_text("old")


def contents(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in folder.iterdir() if p.is_file()}


def check_publish(folder: Path, ended: int | None) -> None:
    there = {k: v for k, v in contents(folder).items() if k != "notes.txt"}
    assert len(set(there.values())) <= 1, f"two runs are mixed: {there}"
    if "result.json" in there:
        assert sorted(there) == sorted(OLD if there["result.json"] == "old" else NEW), there
    if ended in (UNTOUCHED, DONE):
        assert there == dict.fromkeys(NEW, "new")
    if ended == REFUSED:
        assert there == dict.fromkeys(OLD, "old"), there
        assert [p.name for p in folder.iterdir() if p.is_dir()] == []


def visible(folder: Path) -> dict[str, str]:
    """What a user sees of the pair."""
    return {k: v for k, v in contents(folder).items() if k in PAIR}


def check_files(folder: Path, ended: int | None) -> None:
    there = visible(folder)
    assert CASE_FILE in there, "the first file has gone"
    assert len(set(there.values())) == 1, f"old and new stand side by side: {there}"
    if ended == REFUSED:
        assert set(contents(folder)) == {*there, "notes.txt"}, "a temporary file is left"


def check_start(folder: Path, ended: int | None) -> None:
    there = visible(folder)
    assert there in ({}, {CASE_FILE: STARTED[CASE_FILE]}, STARTED), list(there)
    if ended == REFUSED:
        assert set(contents(folder)) == {*there, "notes.txt"}, "a temporary file is left"


def check_restart(folder: Path, ended: int | None) -> None:
    there = visible(folder)
    assert CASE_FILE in there
    new = [there[name] == STARTED[name] for name in there]
    assert all(new) or not any(new), f"old and new stand side by side: {list(there)}"
    assert {v for v in there.values() if v not in STARTED.values()} <= {"old"}
    if ended == REFUSED:
        assert set(contents(folder)) == {*there, "notes.txt"}, "a temporary file is left"


def main(job: str, fault: str, folder: Path) -> None:
    work: Callable[[Path], None]
    check: Callable[[Path, int | None], None]
    work, check, names = {
        "publish": (publish_job, check_publish, OLD),
        "files": (files_job, check_files, PAIR),
        "start": (start_job, check_start, []),
        "restart": (restart_job, check_restart, PAIR),
    }[job]
    for place in itertools.count(1):
        reset(folder, names)
        child = os.fork()
        if child == 0:
            code = WRONG
            try:
                met = fault_at(place, fault)
                work(folder)
                code = DONE if met() else UNTOUCHED
            except InputError as error:
                code = REFUSED if "no space left on the disk" in str(error) else WRONG
            finally:
                os._exit(code)
        status = os.waitpid(child, 0)[1]
        ended = os.WEXITSTATUS(status) if os.WIFEXITED(status) else None
        assert ended != WRONG, f"place {place}: another exception"
        check(folder, ended)
        if job != "start" or visible(folder) != STARTED:  # which it refuses to replace
            assert job != "start" or ended not in (UNTOUCHED, DONE)
            work(folder)
        kept = NEW if job == "publish" else PAIR
        assert sorted(p.name for p in folder.iterdir()) == sorted([*kept, "notes.txt"])
        if "start" in job:
            assert visible(folder) == STARTED, "the next run did not finish the pair"
        if ended == UNTOUCHED:
            print(place - 1)
            return


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], Path(sys.argv[3]))
