"""What the page lets the user keep: the changed case, the report, an archive, an animation."""

from __future__ import annotations

import re
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, whole_file
from kinematics.case.read import Case, case_text, write_case
from viewer.look.extras import need

if TYPE_CHECKING:
    from kinematics.closure.close import Closures

LONGEST_NAME = 80
REFUSAL = Refusal(
    "export", "Restart the viewer with TMPDIR set to another folder.",
    "Free some space on the disk of temporary files and try again.",
)  # fmt: skip


def slug(text: str) -> str:
    """A label as the stem of a file name."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-").lower()[:40] or "case"


def save_case(case: Case, name: str, *, overwrite: bool = False) -> Path:
    """Write a case into its own folder under a plain file name.

    Parameters
    ----------
    case : Case
    name : str
        A file name ending in ``.toml``, without a folder.
    overwrite : bool
        Whether a file of that name may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Another kind of name, an existing file, or a folder that cannot be written.
    """
    plain = name.strip()
    if plain and not plain.endswith(".toml"):
        plain += ".toml"
    if not re.fullmatch(r"[\w][\w .-]*\.toml", plain) or len(plain) > LONGEST_NAME:
        raise InputError(
            "save",
            repr(name[:LONGEST_NAME]),
            "a file name of letters, digits, spaces, - and _",
            "It is saved in the folder of the case.",
        )
    path = case.folder / plain
    if path.exists() and not overwrite:
        raise InputError(
            "save", f"{plain}, which exists", "a new name", "Rename it, or tick the box."
        )
    write_case(case, path)
    return path


def export(reading: Closures, kind: str, folder: Path, theme: str, view: str, factor: int) -> Path:
    """Make one of the files that the page offers.

    Parameters
    ----------
    reading : Closures
    kind : {"report", "all", "gif", "mp4"}
    folder : Path
        Where it is put.
    theme, view : str
        Look of an animation.
    factor : int
        Exaggeration of the error in an animation.

    Raises
    ------
    InputError
        Another kind, no casts, or no OpenGL for an animation; a disk that cannot take it.

    Notes
    -----
    *Guarantee*: the file is whole or absent.
    """
    from viewer.app.session import complete
    from viewer.scene.film import write_animation

    stem = f"hingewise-{slug(reading.case.label)}"
    if kind in ("gif", "mp4"):
        path = folder / f"{stem}.{kind}"
        write_animation(
            complete(reading),
            path,
            factor=factor,
            theme="dark" if theme == "dark" else "light",
            view=view if view in ("oblique", "left", "front") else "left",
        )
        return path
    if kind == "report":
        need("matplotlib", "export")
    if kind not in ("report", "all"):
        raise InputError("export", repr(kind), "report, all, gif or mp4", "Reload the page.")
    from viewer.report.outputs import write_outputs

    path = folder / f"{stem}.{'html' if kind == 'report' else 'zip'}"
    with whole_file(path, REFUSAL) as target, tempfile.TemporaryDirectory(dir=folder) as name:
        written = write_outputs(complete(reading, uncertainty=True), Path(name), refusal=REFUSAL)
        if kind == "report":
            target.write_bytes((Path(name) / "report.html").read_bytes())
            return path
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in written:
                archive.write(file, f"{stem}/{file.name}")
            archive.writestr(f"{stem}/case.toml", case_text(reading.case))
    return path
