"""The closure as a short film: the patient's lower and the articulator's, record to target."""

from __future__ import annotations

import errno
import os
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import closing_motion
from kinematics.base.errors import InputError
from kinematics.base.files import Refusal, whole_file
from kinematics.base.words import CAUTION
from viewer.look.extras import need
from viewer.look.palette import STOP_LABEL, Theme, colours
from viewer.scene.build import build_scene, exaggerated
from viewer.scene.render import drawing_environment, probe_gl, to_plotter

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

FORMATS = (".gif", ".mp4")
LAYERS = ("upper", "lower", "articulator", "axes", "arcs", "contact")
FULL_BYTES = 1_000_000
"""Less free space than this counts as a full disk when a film fails (ours)."""
FPS = 12
HOLD = 0.3
"""Share of the frames that rest at the end."""


def lower_motions(
    assessment: Assessment, share: float, factor: float
) -> tuple[RigidTransform, RigidTransform]:
    """Motions, from the target pose, of both lowers when a share of the closure is done.

    Parameters
    ----------
    assessment : Assessment
    share : float
        0 at the record, 1 closed.
    factor : float
        Multiplies the articulator's distance from the patient.

    Returns
    -------
    RigidTransform, RigidTransform
        The patient's and the articulator's; at ``share`` 1 the identity and the error motion
        (to the power of ``factor``), at 0 both the record pose.
    """
    stop = assessment.closures.stop
    theta, phi = assessment.stops[stop].true_closing_deg, assessment.stops[stop].closing_deg
    record = assessment.closures.bite(stop).record_from_target
    patient = closing_motion(assessment.true_axis, share * theta) * record
    there = closing_motion(assessment.arbitrary_axis, share * phi) * record
    return patient, exaggerated(there * patient.inv(), factor) * patient


def ease(frames: int) -> NDArray[np.float64]:
    """Share of the closure by frame: a smooth start and stop, then a rest at the end."""
    moving = max(2, round(frames * (1.0 - HOLD)))
    t = np.linspace(0.0, 1.0, moving)
    return np.concatenate([t * t * (3.0 - 2.0 * t), np.ones(max(0, frames - moving))])


def write_animation(
    assessment: Assessment,
    path: Path | str,
    *,
    frames: int = 36,
    factor: int = 1,
    theme: Theme = "light",
    view: str = "left",
    size_px: tuple[int, int] = (960, 640),
) -> Path:
    """Write the closure as a GIF or an MP4 (by the name's ending).

    Parameters
    ----------
    assessment : Assessment
        With casts.
    path : Path or str
    frames : int
        Number of pictures, :data:`FPS` a second.
    factor : int
        Exaggeration of the error, written into the picture.
    theme, view : str
        As in :mod:`viewer.scene.build`.
    size_px : (int, int)
        Even numbers.

    Raises
    ------
    InputError
        Another ending, no casts, or no OpenGL on this machine.

    Notes
    -----
    *Guarantee*: written by atomic rename; an error leaves no file behind.
    """
    need("imageio", "animation")
    import imageio.v3 as iio

    path = Path(path)
    if path.suffix not in FORMATS:
        raise InputError(
            "animation", repr(path.name), "a name ending in .gif or .mp4", "Rename it.", path
        )
    if assessment.closures.lower_target is None or assessment.upper is None:
        raise InputError("animation", "a case without casts", "[casts]", "Add them to the case.")
    pictures = draw_frames(assessment, frames, factor, theme, view, size_px)
    with whole_file(path, Refusal("animation"), suffix=path.suffix) as temporary:
        if path.suffix == ".gif":
            images = few_colours(pictures)
            look = {"append_images": images[1:], "duration": round(1000 / FPS), "loop": 0}
            images[0].save(temporary, save_all=True, optimize=False, **look)
        else:
            iio.imwrite(temporary, np.stack(pictures), fps=FPS, codec="libx264")
            check_film(temporary, len(pictures))
    return path


def check_film(path: Path, pictures: int) -> None:
    """Count the pictures of a film: the encoder ends without an error on a full disk."""
    from imageio_ffmpeg import count_frames_and_secs

    try:
        whole = count_frames_and_secs(str(path))[0] == pictures
    except RuntimeError:
        whole = False
    if not whole:
        full = shutil.disk_usage(path.parent).free < FULL_BYTES
        raise OSError(errno.ENOSPC if full else errno.EIO, "the film was not written whole")


def few_colours(pictures: list[NDArray[np.uint8]]) -> list[Any]:
    """The pictures in the 128 colours of the first, without dots."""
    from PIL import Image

    base = Image.fromarray(pictures[0]).quantize(128)
    return [Image.fromarray(p).quantize(palette=base, dither=Image.Dither.NONE) for p in pictures]


def draw_frames(
    assessment: Assessment,
    frames: int,
    factor: int,
    theme: Theme,
    view: str,
    size_px: tuple[int, int],
) -> list[NDArray[np.uint8]]:
    """Draw the pictures of the film, each (height, width, 3).

    Raises
    ------
    InputError
        No OpenGL on this machine.
    """
    status = probe_gl()
    if not status.ok:
        raise InputError("animation", "no OpenGL", "off-screen OpenGL", status.reason)
    os.environ.update(drawing_environment())
    scene = build_scene(assessment.closures, mouth=assessment.mouth, theme=theme)
    layers = tuple(i for i in LAYERS if i != "contact" or view == "left")
    plotter, actors = to_plotter(scene, view=view, layers=layers, size_px=size_px)
    try:
        # The articulator's lower is drawn from the target pose, so that its motion can be set.
        ghost = assessment.stops[assessment.closures.stop].error_motion.inv()
        plotter.enable_depth_peeling(4)
        plotter.enable_anti_aliasing("ssaa")
        ink = colours(theme).ink
        stop = STOP_LABEL[assessment.closures.stop]
        out: list[NDArray[np.uint8]] = []
        shares = ease(frames)
        for i, share in enumerate(shares):
            if i and share == shares[i - 1]:  # at rest
                out.append(out[-1])
                continue
            patient, articulator = lower_motions(assessment, float(share), factor)
            for layer, motion in (("lower", patient), ("articulator", articulator * ghost)):
                for actor in actors.get(layer, []):
                    actor.user_matrix = motion.as_matrix()
            left = (1.0 - share) * assessment.departure_mm
            text = (
                f"{abs(left):.1f} mm from the target (incisors); stop: {stop}\n"
                f"blue: patient, true axis   orange: articulator, arbitrary axis, its error drawn "
                f"x{factor}\n{CAUTION}"
            )
            plotter.add_text(text, "lower_left", font_size=9, color=ink, name="caption")
            picture = plotter.screenshot(return_img=True)
            out.append(np.ascontiguousarray(np.asarray(picture)[..., :3]))
        return out
    finally:
        plotter.close()
