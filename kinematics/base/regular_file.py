"""Read a whole regular file of bounded size: no link out of its folder, pipe, device or bomb."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from kinematics.base.errors import InputError


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
    try:
        real = file.resolve(strict=True)
        if not links and not real.is_relative_to(file.parent.resolve(strict=True)):
            raise InputError(
                "file",
                "a link that leads out of its folder",
                "a file in the folder named",
                f"Copy {what} itself into the folder.",
                file,
            )
        if not _regular(real.stat()):
            raise _not_regular(what, file)
        # Non-blocking: what became a pipe since the check above does not block either.
        handle = os.open(real, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        with os.fdopen(handle, "rb") as stream:
            status = os.fstat(handle)
            if not _regular(status):
                raise _not_regular(what, file)
            data = stream.read(max_bytes + 1) if status.st_size else b""
    except FileNotFoundError:
        raise InputError(
            "file", "no such file", f"an existing file: {what}", "Check the path and spelling.",
            file,
        ) from None  # fmt: skip
    except (OSError, RuntimeError, ValueError) as error:
        reason = str(getattr(error, "strerror", None) or error).lower()
        raise InputError(
            "file",
            f"an unreadable file ({reason})",
            f"a readable file: {what}",
            "Check the path and the permission to read it.",
            file,
        ) from None
    if len(data) > max_bytes:
        raise InputError(
            "file size",
            f"{status.st_size / 1e6:.0f} MB",
            f"at most {max_bytes / 1e6:.0f} MB",
            too_large,
            file,
        )
    if not data:
        raise InputError("file", "an empty file", what, "Export or copy it again.", file)
    return data


def _regular(status: os.stat_result) -> bool:
    return stat.S_ISREG(status.st_mode)


def _not_regular(what: str, file: Path) -> InputError:
    return InputError(
        "file", "a folder, pipe or device", f"a regular file: {what}", "Name the file itself.", file
    )
