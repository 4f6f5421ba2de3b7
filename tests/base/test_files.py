"""Files written whole or not at all: errors, kills and full disks at every step."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from kinematics.base import files as files_module
from kinematics.base.errors import InputError
from kinematics.base.files import (
    Refusal,
    is_running,
    read_regular_file,
    whole_file,
    write_file,
    write_files,
)
from kinematics.base.versions import versions
from tests import REPO


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_a_file_is_replaced_with_the_rights_that_the_umask_gives(tmp_path):
    path = tmp_path / "a.txt"
    path.write_text("old")
    old = os.umask(0o027)
    try:
        write_file(path, "µm\n")
    finally:
        os.umask(old)
    assert path.read_bytes() == "µm\n".encode()
    assert path.stat().st_mode & 0o777 == 0o640
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("error", [KeyError("x"), KeyboardInterrupt(), OSError(5, "I/O error")])
def test_an_exception_while_filling_keeps_the_old_file_and_no_temporary(tmp_path, error):
    path = tmp_path / "a.txt"
    path.write_text("old")
    expected = InputError if isinstance(error, OSError) else type(error)

    def fill() -> None:
        with whole_file(path) as temporary:
            temporary.write_text("half")
            raise error

    with pytest.raises(expected):
        fill()
    assert path.read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("call", ["os.fsync", "tempfile.mkstemp", "os.scandir"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS, errno.EACCES, errno.EDQUOT])
def test_every_failing_call_is_one_error_that_says_what_to_do(tmp_path, monkeypatch, call, code):
    (tmp_path / "a.txt").write_text("old")

    def fail(*args: object, **kwargs: object) -> None:
        raise OSError(code, os.strerror(code))

    module, name = call.split(".")
    monkeypatch.setattr(getattr(files_module, module), name, fail)
    refusal = Refusal("--out", "Choose.", "Free.")
    with pytest.raises(InputError) as caught:
        write_file(tmp_path / "a.txt", "new", refusal)
    monkeypatch.undo()
    full = code in (errno.ENOSPC, errno.EDQUOT)
    assert caught.value.where == "--out"
    assert caught.value.fix == ("Free." if full else "Choose.")
    assert caught.value.got == (
        "no space left on the disk"
        if full
        else f"a folder that cannot be written ({os.strerror(code).lower()})"
    )
    assert (tmp_path / "a.txt").read_text() == "old"
    assert names(tmp_path) == ["a.txt"]


def test_of_several_files_none_is_written_where_one_cannot_be(tmp_path):
    (tmp_path / "a").write_text("old")
    with pytest.raises(InputError, match="no such file"):
        write_files({tmp_path / "a": "new", tmp_path / "missing" / "b": "new"})
    assert (tmp_path / "a").read_text() == "old"
    assert names(tmp_path) == ["a"]


def test_what_a_killed_writer_left_is_cleared_and_a_living_writers_is_not(tmp_path):
    gone = subprocess.Popen([sys.executable, "-c", "pass"])
    gone.wait()
    (tmp_path / f".a.{gone.pid}-x.tmp").write_text("half")
    (tmp_path / f".b.{gone.pid}-x.tmp").write_text("another file's")
    (tmp_path / f".a.{os.getppid()}-x.tmp").write_text("in work")
    (tmp_path / ".a.notes").write_text("mine")
    write_file(tmp_path / "a", "new")
    kept = {"a", ".a.notes", f".a.{os.getppid()}-x.tmp", f".b.{gone.pid}-x.tmp"}
    assert set(names(tmp_path)) == kept


@pytest.mark.parametrize(
    ("cause", "words"),
    [
        (OSError(errno.EROFS, "Read-only file system"), "(read-only file system)"),
        (OSError("Gone"), "(gone)"),
        (TimeoutError(), "(timeouterror)"),
    ],
)
def test_a_refusal_tells_the_cause_in_the_words_that_there_are(cause, words):
    assert words in Refusal().error("a", cause).got


def test_a_file_as_large_as_the_limit_is_read_and_a_byte_more_is_refused(tmp_path):
    (tmp_path / "a").write_bytes(b"1234")
    assert read_regular_file(tmp_path / "a", "a text", 4, "Shorten it.") == b"1234"
    with pytest.raises(InputError, match=r"file size: got 0 MB.*Shorten it\."):
        read_regular_file(tmp_path / "a", "a text", 3, "Shorten it.")


def test_a_package_that_is_absent_has_no_version():
    told = versions(["pytest", "no-such-package-of-ours"])
    assert told["pytest"] == pytest.__version__
    assert told["no-such-package-of-ours"] == "not installed"


def test_running_means_running():
    assert is_running(str(os.getpid()))
    assert is_running("1")
    assert is_running("no number")
    assert is_running("9" * 30)
    gone = subprocess.Popen([sys.executable, "-c", "pass"])
    gone.wait()
    assert not is_running(str(gone.pid))


@pytest.mark.parametrize("fault", ["kill", "full"])
@pytest.mark.parametrize("job", ["publish", "files", "start", "restart"])
def test_a_kill_or_a_full_disk_at_every_single_call_keeps_the_promise(job, fault, tmp_path):
    """Real kills (SIGKILL) of a forked child at each call of the operating system in turn."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.makers.every_fault", job, fault, str(tmp_path / "out")],
        capture_output=True, text=True, cwd=REPO, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > {"publish": 40, "files": 9, "start": 9, "restart": 9}[job]


def test_where_the_second_of_two_cannot_be_put_in_place_the_old_second_is_not_beside_the_new(
    tmp_path, monkeypatch
):
    for name in "ab":
        (tmp_path / name).write_text("old")
    replace = Path.replace

    def fail(self: Path, target: Path) -> Path:
        if self.name.startswith(".b.") and Path(target).name == "b":
            raise OSError(errno.EIO, "Input/output error")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(InputError, match="input/output error"):
        write_files({tmp_path / "a": "new", tmp_path / "b": "new"})
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "new"


def test_where_the_first_of_two_cannot_be_put_in_place_both_stay_as_they_were(
    tmp_path, monkeypatch
):
    for name in "ab":
        (tmp_path / name).write_text("old")
    replace = Path.replace

    def fail(self: Path, target: Path) -> Path:
        if Path(target).name == "a":
            raise OSError(errno.EIO, "Input/output error")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(InputError, match="input/output error"):
        write_files({tmp_path / "a": "new", tmp_path / "b": "new"})
    assert {n: (tmp_path / n).read_text() for n in names(tmp_path)} == {"a": "old", "b": "old"}
