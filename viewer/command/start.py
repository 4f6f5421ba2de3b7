"""``hingewise start``: ask what was measured, write the case to fill in and the recording sheet."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, write_files
from kinematics.case.template import MEASUREMENTS, MOUNTINGS, template
from viewer.command.recording_sheet import recording_sheet_html

CASE_FILE, SHEET_FILE = "case.toml", "recording_sheet.html"
DEFAULT_MOUNTING = "axis_points"
REFUSAL = Refusal("FOLDER", "Name another folder.", "Free some space, or name another folder.")


def start_case(
    folder: Path, mounting: str | None, have: Sequence[str], *, force: bool = False
) -> list[Path]:
    """Write ``case.toml`` and ``recording_sheet.html`` into a folder.

    Parameters
    ----------
    folder : Path
        Made where it does not exist.
    mounting : str or None
        A key of ``MOUNTINGS``. None asks on a terminal, and takes axis points elsewhere.
    have : sequence of str
        Keys of ``MEASUREMENTS``.
    force : bool
        Replace files that are there.

    Raises
    ------
    InputError
        Unknown names, files that are there already, or a folder that cannot be written; neither
        file is then there.

    Notes
    -----
    *Guarantee*: the sheet never stands beside a case of other answers, and never without its case.
    A kill can leave the case alone; the same command then finishes the pair.
    """
    if mounting is None and sys.stdin.isatty():
        mounting, have = ask(input)
    text = template(mounting or DEFAULT_MOUNTING, have)
    sheet = recording_sheet_html(mounting or DEFAULT_MOUNTING, have)
    contents = {folder / CASE_FILE: text, folder / SHEET_FILE: sheet}
    there = [path for path in contents if path.exists()]
    begun = len(there) == 1 and _holds(there[0], contents[there[0]])
    if there and not begun and not force:
        raise InputError(
            "file", "a file that exists", "a new name", "Use --force to replace it.", there[0]
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise REFUSAL.error(folder, error) from None
    write_files(contents, REFUSAL)
    return list(contents)


def _holds(path: Path, text: str) -> bool:
    try:
        return path.stat().st_size == len(text.encode()) and path.read_bytes() == text.encode()
    except OSError:
        return False


def ask(read: Callable[[str], str]) -> tuple[str, list[str]]:
    """Ask for the mounting and the measurements; ``read`` is given each question."""
    names = list(MOUNTINGS)
    print("How do the casts relate to the axis?")
    for i, name in enumerate(names, 1):
        print(f"  {i}  {name}: {MOUNTINGS[name]}")
    mounting = names[_choice(read, f"1 to {len(names)} [1]: ", len(names)) - 1]
    have = [name for name, words in MEASUREMENTS.items() if _yes(read, f"{words}? [y/N]: ")]
    return mounting, have


def _choice(read: Callable[[str], str], question: str, last: int) -> int:
    while True:
        answer = read(question).strip() or "1"
        if answer.isdecimal() and 1 <= int(answer) <= last:
            return int(answer)
        print(f"Type a number from 1 to {last}.")


def _yes(read: Callable[[str], str], question: str) -> bool:
    return read(question).strip().lower() in ("y", "yes")
