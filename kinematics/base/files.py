"""Files: written whole or not at all; read whole, if regular and of bounded size."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from kinematics.base.errors import InputError

NO_SPACE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})


@dataclass(frozen=True)
class Refusal:
    """The words of the error when a file cannot be written.

    Attributes
    ----------
    where : str
        What the user gave the place by, as in :class:`~kinematics.base.errors.InputError`.
    fix, full_fix : str
        What to do next; ``full_fix`` where the disk is full.
    """

    where: str = "file"
    fix: str = "Choose another folder."
    full_fix: str = "Free some space, or choose another folder."

    def error(self, path: Path | str, cause: OSError) -> InputError:
        """The error of one file or folder that could not be written."""
        full = cause.errno in NO_SPACE
        why = (cause.strerror or str(cause) or type(cause).__name__).lower()
        got = "no space left on the disk" if full else f"a folder that cannot be written ({why})"
        need = "a folder that can be written"
        return InputError(self.where, got, need, self.full_fix if full else self.fix, path)


def is_running(process_id: str) -> bool:
    """Whether a number taken from a temporary name is that of a running process.

    A process of another user counts as running, and so does what is not a number.
    """
    try:
        os.kill(int(process_id), 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError, ValueError):
        return True
    return True


@contextlib.contextmanager
def whole_file(
    path: Path | str, refusal: Refusal = Refusal(), *, suffix: str = ".tmp"
) -> Iterator[Path]:
    """Give an empty temporary file in the same folder, which becomes ``path`` at the end.

    Parameters
    ----------
    path : Path or str
        Replaced if it exists.
    refusal : Refusal
        Words of the error.
    suffix : str
        End of the temporary name, for writers that choose a format by it.

    Yields
    ------
    Path
        To be filled; synchronised to the disk before the rename.

    Raises
    ------
    InputError
        In place of any ``OSError``, inside the block too.

    Notes
    -----
    *Guarantee*: ``path`` holds the earlier content or the whole new one at every moment, whatever
    happens, a kill and a full disk included. Any exception removes the temporary file; what a kill
    leaves behind is removed when the same file is next written.
    """
    path = Path(path)
    with temporary_beside(path, refusal, suffix) as temporary:
        try:
            yield temporary
            make_ready(temporary)
            temporary.replace(path)
        except OSError as error:
            raise refusal.error(path, error) from None


def write_files(contents: Mapping[Path, bytes | str], refusal: Refusal = Refusal()) -> None:
    """Write several files that belong together, none of them before there is room for all.

    Parameters
    ----------
    contents : mapping of Path to bytes or str
        The first is the one that may stand alone. Text is written as UTF-8, as it is.

    Raises
    ------
    InputError
        A file cannot be written.

    Notes
    -----
    *Guarantee*: each file is whole, the earlier one or the new one, and where there is no room for
    all none is written. The new first file never stands beside an earlier one of the others, nor
    the earlier first file beside a new one, not even after a kill: once everything is on the disk
    the earlier others are set aside, and the new ones put in place in the mapping's order. A kill
    between can leave the first file alone.
    """
    paths = list(contents)
    with contextlib.ExitStack() as stack:
        temporaries = {p: stack.enter_context(temporary_beside(p, refusal)) for p in paths}
        for path, temporary in temporaries.items():
            content = contents[path]
            try:
                temporary.write_bytes(content.encode() if isinstance(content, str) else content)
                make_ready(temporary)  # some disks say only now that they are full
            except OSError as error:
                raise refusal.error(path, error) from None
        put_in_place(temporaries, refusal)


def put_in_place(temporaries: Mapping[Path, Path], refusal: Refusal) -> None:
    """Rename every temporary file to its path; the first of them decides whether it happened."""
    first, *others = temporaries
    aside = {p: p.with_name(f".{p.name}.{os.getpid()}-aside.tmp") for p in others}
    done = False
    path = first
    try:
        for path in others:
            with contextlib.suppress(FileNotFoundError):
                path.replace(aside[path])
        for path, temporary in temporaries.items():
            temporary.replace(path)
            done = True
    except OSError as error:
        raise refusal.error(path, error) from None
    finally:
        for path, earlier in aside.items():
            with contextlib.suppress(OSError):
                if done:
                    earlier.unlink(missing_ok=True)
                else:
                    earlier.replace(path)


@contextlib.contextmanager
def temporary_beside(path: Path, refusal: Refusal, suffix: str = ".tmp") -> Iterator[Path]:
    """An empty file beside ``path``; gone afterwards, unless it was renamed."""
    try:
        clear_abandoned(path)
        handle, name = tempfile.mkstemp(
            prefix=f".{path.name}.{os.getpid()}-", suffix=suffix, dir=path.parent
        )
    except OSError as error:
        raise refusal.error(path, error) from None
    try:
        os.close(handle)
        yield Path(name)
    finally:
        with contextlib.suppress(OSError):
            Path(name).unlink(missing_ok=True)


def make_ready(temporary: Path) -> None:
    """Synchronise a file to the disk, with the rights of a new file."""
    with temporary.open("rb+") as stream:
        os.fsync(stream.fileno())
    umask = os.umask(0)
    os.umask(umask)
    temporary.chmod(0o666 & ~umask)


def write_file(path: Path | str, content: bytes | str, refusal: Refusal = Refusal()) -> None:
    """Write one file; see :func:`write_files`."""
    write_files({Path(path): content}, refusal)


def clear_abandoned(path: Path) -> None:
    """Remove temporary files beside a path that no running process owns."""
    prefix = f".{path.name}."
    with os.scandir(path.parent) as entries:
        names = [e.name for e in entries if e.name.startswith(prefix)]
    for name in names:
        number = name.removeprefix(prefix).partition("-")[0]
        if number.isdecimal() and not is_running(number):
            with contextlib.suppress(OSError):
                (path.parent / name).unlink()


def read_regular_file(
    path: Path | str, what: str, max_bytes: int, too_large: str, *, links: bool = True
) -> bytes:
    """Read a regular file; anything else is refused without waiting for it.

    Parameters
    ----------
    path : Path or str
    what : str
        What the file should be, for the error: "a mesh".
    max_bytes : int
        Largest size that is read.
    too_large : str
        What to do about a larger file.
    links : bool
        Whether a symbolic link may lead out of the folder named.

    Raises
    ------
    InputError
        Missing, unreadable, empty or too large; a folder, pipe, socket or device; a link out of
        its folder where ``links`` is false; a name that no system takes.

    Notes
    -----
    *Guarantee*: never blocks on a pipe and reads at most ``max_bytes + 1`` bytes, whatever size
    the system states (files of ``/proc`` state none and are refused as empty).
    """
    file = Path(path)

    def refused(got: str, allowed: str, fix: str, where: str = "file") -> InputError:
        return InputError(where, got, allowed, fix, file)

    not_regular = refused(
        "a folder, pipe or device", f"a regular file: {what}", "Name the file itself."
    )
    try:
        real = file.resolve(strict=True)
        if not links and not real.is_relative_to(file.parent.resolve(strict=True)):
            fix = f"Copy {what} itself into the folder."
            raise refused("a link that leads out of its folder", "a file in the folder named", fix)
        if not stat.S_ISREG(real.stat().st_mode):
            raise not_regular
        # Non-blocking: what became a pipe since the check above does not block either.
        handle = os.open(real, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        with os.fdopen(handle, "rb") as stream:
            status = os.fstat(handle)
            if not stat.S_ISREG(status.st_mode):
                raise not_regular
            data = stream.read(max_bytes + 1) if status.st_size else b""
    except FileNotFoundError:
        need = f"an existing file: {what}"
        raise refused("no such file", need, "Check the path and spelling.") from None
    except (OSError, RuntimeError, ValueError) as error:
        reason = str(getattr(error, "strerror", None) or error).lower()
        raise refused(
            f"an unreadable file ({reason})",
            f"a readable file: {what}",
            "Check the path and the permission to read it.",
        ) from None
    if len(data) > max_bytes:
        got, most = (f"{size / 1e6:.0f} MB" for size in (status.st_size, max_bytes))
        raise refused(got, f"at most {most}", too_large, "file size")
    if not data:
        raise refused("an empty file", what, "Export or copy it again.")
    return data
