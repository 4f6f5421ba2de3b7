"""Everything that one assessment writes to a folder, all or nothing."""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, is_running
from viewer.look.extras import has
from viewer.report.captions import FIGURE_TEXT, FILES
from viewer.scene.build import on_vertices

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from kinematics.assessment import Assessment
    from kinematics.base.arrays import FloatArray
    from viewer.look.palette import Theme

PLATE_FILES, FIGURE_FILES = FILES["casts"], FILES["every"]
EXTRA_FILES, TOOTH_FILES = FILES["some"], FILES["teeth"]
OUTPUT_FILES = (
    "report.html",
    "landmarks.csv",
    "lower_error_map.ply",
    "lower_clearance.ply",
    *FIGURE_FILES.values(),
    *EXTRA_FILES.values(),
    *TOOTH_FILES.values(),
    *PLATE_FILES.values(),
    "result.json",
)
"""Every name that may be written; one of them that is not written this time is removed."""
STAGE_PREFIX = ".hingewise-"
REFUSAL = Refusal(
    "--out", "Name another folder, or change its permissions.",
    "Free some space, or name another folder.",
)  # fmt: skip


def check_folder(folder: Path | str) -> None:
    """Refuse a folder that cannot be written, before any work; creates nothing.

    Raises
    ------
    InputError
        The path is a file, or the nearest folder above it that exists cannot be written.
    """
    path = Path(folder)
    if "\0" in str(path):
        raise REFUSAL.error(path, OSError(errno.EINVAL, "its name holds a null character"))
    try:
        nearest = path
        while not nearest.exists() and nearest.parent != nearest:
            nearest = nearest.parent
        if not nearest.is_dir():
            raise InputError(
                "--out", f"{nearest}, which is a file", "a folder", "Name another folder.", path
            )
        if not os.access(nearest, os.W_OK | os.X_OK):
            raise OSError(errno.EACCES, f"no permission to write in {nearest}")
    except OSError as error:
        raise REFUSAL.error(path, error) from None


@contextlib.contextmanager
def staged(folder: Path) -> Iterator[Path]:
    """A temporary folder in ``folder``, gone afterwards; ``folder`` too, if it is new and empty."""
    made = not folder.exists()
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob(f"{STAGE_PREFIX}*"):
        number = old.name.removeprefix(STAGE_PREFIX).partition("-")[0]
        if number.isdecimal() and not is_running(number) and not old.is_symlink():
            shutil.rmtree(old, ignore_errors=True)
    stage = Path(tempfile.mkdtemp(prefix=f"{STAGE_PREFIX}{os.getpid()}-", dir=folder))
    try:
        yield stage
    finally:
        shutil.rmtree(stage, ignore_errors=True)
        if made:
            with contextlib.suppress(OSError):
                folder.rmdir()  # only where nothing was written


def write_outputs(
    assessment: Assessment,
    folder: Path | str,
    *,
    pictures: bool = True,
    progress: Callable[[str, float], None] | None = None,
    refusal: Refusal = REFUSAL,
) -> list[Path]:
    """Write result.json, landmarks.csv, the maps of the lower, report.html and the pictures.

    Without matplotlib the numbers alone are written; :func:`viewer.look.extras.left_out` says so.

    Parameters
    ----------
    assessment : Assessment
    folder : Path or str
        Made where it does not exist.
    pictures : bool
        Whether to draw the casts in 3-D (the 2-D figures always come).
    progress : callable, optional
        Called with a stage in words and the fraction done.
    refusal : Refusal
        Words of the error where the folder cannot be written.

    Returns
    -------
    list of Path
        What was written, in the order of :data:`OUTPUT_FILES`.

    Raises
    ------
    InputError
        The folder cannot be written.

    Notes
    -----
    *Guarantee*: everything is made in a temporary folder first. The earlier run's files are then
    set aside, result.json first, and the new ones moved in, result.json last; so the folder never
    mixes two runs, and where there is a result.json everything belongs to it, even after a kill.
    An error at any point leaves the earlier files as they were.
    """
    out = Path(folder)
    check_folder(out)
    try:
        with staged(out) as stage:
            make_outputs(assessment, stage, pictures, progress or (lambda stage, fraction: None))
            made = publish(stage, out)
    except OSError as error:
        raise refusal.error(out, error) from None
    return [out / name for name in made]


def publish(stage: Path, out: Path) -> list[str]:
    """Put the finished files of ``stage`` in place of an earlier run's; their names, in order."""
    made = [name for name in OUTPUT_FILES if (stage / name).is_file()]
    earlier = stage / "earlier"
    earlier.mkdir()
    aside: list[str] = []
    moved: list[str] = []
    try:
        for name in reversed(OUTPUT_FILES):  # result.json first
            if (out / name).is_symlink() or (out / name).exists():
                os.replace(out / name, earlier / name)
                aside.append(name)
        for name in made:
            os.replace(stage / name, out / name)
            moved.append(name)
    except BaseException:
        for name in moved:
            (out / name).unlink(missing_ok=True)
        for name in reversed(aside):
            os.replace(earlier / name, out / name)
        raise
    return made


def make_outputs(
    a: Assessment, stage: Path, pictures: bool, tell: Callable[[str, float], None]
) -> None:
    """Make every file of an assessment in the temporary folder."""
    from kinematics.result import result_dict

    tell("Writing the numbers", 0.0)
    text = json.dumps(result_dict(a), indent=2, ensure_ascii=False, allow_nan=False)
    (stage / "result.json").write_text(text + "\n", encoding="utf-8")
    (stage / "landmarks.csv").write_text(landmarks_csv(a), encoding="utf-8", newline="")
    lower = a.closures.lower_target
    maps = (("lower_error_map.ply", error_fields(a)), ("lower_clearance.ply", clearance_fields(a)))
    for name, fields in maps:
        if lower is not None and fields:
            lower.write(stage / name, fields)
    if has("matplotlib"):
        make_report(a, stage, pictures, tell)
    tell("Done", 1.0)


def make_report(
    a: Assessment, stage: Path, pictures: bool, tell: Callable[[str, float], None]
) -> None:
    """Draw figures and pictures, and write the report, in the temporary folder."""
    from viewer.figures.draw import draw_figure, figures_for, to_png, to_svg
    from viewer.report.page import render_report
    from viewer.report.sections import extra_figures, extra_sections

    svgs = {}
    for i, name in enumerate(figures_for(a)):
        tell("Drawing the figures", 0.1 + 0.08 * i)
        figure = draw_figure(name, a)
        svgs[name] = to_svg(figure, name, FIGURE_TEXT[name][0])
        (stage / FIGURE_FILES[name]).write_bytes(to_png(figure))
    tell("Drawing the figures", 0.42)
    more = extra_figures(a)
    for name, figure in more.items():
        (stage / (EXTRA_FILES | TOOTH_FILES)[name]).write_bytes(to_png(figure))
    sections = extra_sections(a, more)
    tell("Drawing the casts", 0.5)
    plates, reason = draw_plates(a, pictures)
    for view, by_theme in plates.items():
        (stage / PLATE_FILES[view]).write_bytes(by_theme["light"])
    tell("Writing the report", 0.9)
    page = render_report(a, svgs=svgs, plates=plates, no_plates_reason=reason, extra=sections)
    (stage / "report.html").write_text(page, encoding="utf-8")


def error_fields(a: Assessment) -> dict[str, FloatArray]:
    """High and open amounts at the lower's vertices, micrometres, by the name of a field."""
    if not a.closures.measured:
        return {}
    high_mm = a.closures.occlusal_high_mm
    return {f"high_{stop}_um": on_vertices(a.closures, mm) for stop, mm in high_mm.items()}


def clearance_fields(a: Assessment) -> dict[str, FloatArray]:
    """Clearances at the lower's vertices in the excursions, micrometres, by the name of a field.

    At the last step, and least after the start; NaN where a vertex is not occlusal, infinite where
    the upper is farther than was looked for (3 mm, and 1 mm along the way).
    """
    details = None if a.excursions is None else a.excursions.details
    return {
        f"{when}_{kind}_{who}_um": on_vertices(a.closures, getattr(along, f"vertex_{when}_mm"))
        for kind, c in ({} if details is None else details.teeth).items()
        for who, along in (("patient", c.patient), ("articulator", c.articulator))
        for when in ("end", "least")
    }


def draw_plates(a: Assessment, pictures: bool) -> tuple[dict[str, dict[Theme, bytes]], str]:
    """Draw the casts in both themes, or say why not.

    Returns
    -------
    dict, str
        PNG bytes by view and theme, and one sentence where there is no picture.
    """
    if a.upper is None and a.closures.lower_target is None:
        return {}, "the case has no casts; the figures below come from the landmarks."
    if not pictures:
        return {}, "left out on request."
    from viewer.scene.render import probe_gl

    status = probe_gl()
    if not status.ok:
        return {}, status.reason
    from viewer.look.palette import THEMES
    from viewer.scene.build import build_scene
    from viewer.scene.plates import plate_png

    scenes = {t: build_scene(a.closures, mouth=a.mouth, mapped=True, theme=t) for t in THEMES}
    # Where no axis was measured there is no error to map.
    views = [v for v in PLATE_FILES if v != "occlusal" or a.closures.measured]
    return {v: {t: plate_png(scenes[t], v) for t in THEMES} for v in views}, ""


def landmarks_csv(a: Assessment) -> str:
    """Return every landmark as comma-separated text, lengths in mm with six decimals.

    Notes
    -----
    A name that a spreadsheet would take for a formula gets a leading apostrophe.
    """
    head = ["name", "tooth"]
    head += [f"record_{c}_mm" for c in "xyz"]
    for stop in a.stops:
        head += [f"{stop}_true_{c}_mm" for c in "xyz"]
        head += [f"{stop}_error_{c}_mm" for c in "xyz"]
        head += [f"{stop}_size_mm", f"{stop}_high_mm"]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    marks, record = a.landmarks, a.landmarks_record_mm
    for i, name in enumerate(marks.names):
        safe = f"'{name}" if name[:1] in "=+-@" else name
        numbers = [*record[i]]
        for r in a.stops.values():
            numbers += [*r.true_mm[i], *r.error_mm[i], r.magnitude_mm[i], r.high_mm[i]]
        writer.writerow([safe, marks.teeth[i] or "", *(f"{float(v):.6f}" for v in numbers)])
    return text.getvalue()
