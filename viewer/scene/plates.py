"""Pictures of the casts made ready to show: a drawn view with names, a scale and a length bar."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np

from viewer.figures.style import new_figure, spread, wrapped
from viewer.look.palette import STOP_LABEL, colours, signed_table
from viewer.scene.items import Label, Scene
from viewer.scene.render import Picture, render

MARGIN_PX = 250
"""Room left and right of the picture for names."""
ROW_PX = 68
"""Least distance of two names under each other."""
NAME_CHARACTERS = 19
"""What fits into the margin in one line."""
SAME_PLACE_PX = 4.0
"""Names closer than this on the picture are one name."""
BAR_MM = 10.0
"""Length of the length bar."""
DPI = 100


def bare_plate(picture: Picture, page: str, below_px: int) -> tuple[Any, Any]:
    """An empty figure of a picture with margins, coordinates in its pixels."""
    height, width = picture.rgb.shape[:2]
    full_w, full_h = width + 2 * MARGIN_PX, height + below_px
    figure = new_figure(full_w / DPI, full_h / DPI, dpi=DPI, facecolor=page)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.axis("off")
    axes.imshow(picture.rgb, extent=(0, width, height, 0), interpolation="none")
    axes.set_aspect("auto")
    axes.set_xlim(-MARGIN_PX, width + MARGIN_PX)
    axes.set_ylim(full_h, 0)
    return figure, axes


def seen(picture: Picture, see_through: bool) -> list[Label]:
    """Names to write: not what lies on the far side of opaque casts; one name a place.

    Parameters
    ----------
    see_through : bool
        Whether the casts hide nothing.

    Notes
    -----
    Names that fall on (almost) the same pixel are written as one, joined by a comma.
    """
    projection = picture.projection
    kept: list[Label] = []
    for label in picture.labels:
        far = (label.at_mm - projection.focal_mm) @ projection.towards > 0.0
        if label.role == "tooth" or (far and label.layer == "landmarks" and not see_through):
            continue
        pixel = projection.pixels(label.at_mm)[0]
        for i, other in enumerate(kept):
            near = np.abs(projection.pixels(other.at_mm)[0] - pixel).max() < SAME_PLACE_PX
            if near and other.role == label.role:
                kept[i] = replace(other, text=f"{other.text}, {label.text}")
                break
        else:
            kept.append(label)
    return kept


def name_points(axes: Any, picture: Picture, labels: list[Label], scene: Scene) -> None:
    """Write each name in the nearer margin, with a thin line to its point."""
    height, width = picture.rgb.shape[:2]
    theme = colours(scene.theme)
    at = picture.projection.pixels(np.array([i.at_mm for i in labels]).reshape(-1, 3))
    left = at[:, 0] < 0.5 * width
    for side, x_text, align in ((left, -14.0, "right"), (~left, width + 14.0, "left")):
        index = np.flatnonzero(side)
        index = index[np.argsort(at[index, 1], kind="stable")]
        rows = spread(at[index, 1].copy(), ROW_PX, 40.0, height - 40.0)
        for i, y in zip(index, rows):
            colour = getattr(theme, labels[i].role)
            inner = x_text + (8 if align == "right" else -8)
            axes.plot(
                [inner, at[i, 0]], [y, at[i, 1]], color=theme.quiet, lw=0.9, solid_capstyle="round"
            )
            look = {"color": colour, "fontsize": 15, "linespacing": 1.1, "parse_math": False}
            text = wrapped(labels[i].text, NAME_CHARACTERS)
            axes.text(x_text, y, text, ha=align, va="center", **look)


def draw_length_bar(axes: Any, picture: Picture, ink: str) -> None:
    """A bar of :data:`BAR_MM` in the lower right margin."""
    height, width = picture.rgb.shape[:2]
    length = BAR_MM / picture.projection.mm_per_px
    x, y = width + MARGIN_PX - 60 - length, height - 24
    axes.plot([x, x + length], [y, y], color=ink, lw=2.5, solid_capstyle="butt")
    axes.text(x + 0.5 * length, y - 12, f"{BAR_MM:g} mm", color=ink, fontsize=13, ha="center")


def draw_map_scale(axes: Any, picture: Picture, scene: Scene) -> None:
    """Colour scale of the signed map below the picture, in micrometres."""
    theme = colours(scene.theme)
    height, width = picture.rgb.shape[:2]
    x0, x1, y0, y1 = 0.12 * width, 0.88 * width, height + 44, height + 70
    table = signed_table(257)[None]
    axes.imshow(table, extent=(x0, x1, y1, y0), aspect="auto", interpolation="bilinear")
    limit = scene.signed_limit_um
    for share in (-1.0, -0.5, 0.0, 0.5, 1.0):
        x = x0 + 0.5 * (share + 1.0) * (x1 - x0)
        axes.plot([x, x], [y1, y1 + 7], color=theme.ink, lw=1.2)
        value = share * limit
        text = "0" if share == 0 else f"{value:+g}".replace("-", "−")
        axes.text(x, y1 + 28, text, color=theme.ink, fontsize=14, ha="center", va="center")
    words = (
        (x0, "left", theme.open, "open: teeth stay apart in the mouth"),
        (x1, "right", theme.high, "high: arrives too early in the mouth"),
    )
    for x, align, colour, text in words:
        axes.text(x, y0 - 17, text, color=colour, fontsize=14, ha=align, va="center")
    text = f"micrometres, stop: {STOP_LABEL.get(scene.stop, scene.stop)}"
    axes.text(0.5 * (x0 + x1), y1 + 58, text, color=theme.quiet, fontsize=13, ha="center")


def plate(scene: Scene, view: str, *, size_px: tuple[int, int] = (1000, 720)) -> Any:
    """Draw one view and write on it.

    Parameters
    ----------
    scene : Scene
    view : str
        Name in ``scene.views``.
    size_px : (int, int)
        Size of the drawn part; names need :data:`MARGIN_PX` more on each side.

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    RuntimeError
        OpenGL is not available.
    """
    picture = render(scene, view, size_px=size_px)
    theme = colours(scene.theme)
    occlusal = view == "occlusal"
    figure, axes = bare_plate(picture, theme.page, 150 if occlusal else 0)
    teeth = [i for i in picture.labels if i.role == "tooth"]
    name_points(axes, picture, seen(picture, scene.views[view].cast_opacity < 1.0), scene)
    draw_length_bar(axes, picture, theme.ink)
    if occlusal:
        from matplotlib.patheffects import withStroke

        draw_map_scale(axes, picture, scene)
        height, width = picture.rgb.shape[:2]
        for x, text in ((-150, "patient's\nright"), (width + 150, "patient's\nleft")):
            axes.text(x, 0.5 * height, text, color=theme.quiet, fontsize=16, ha="center")
        # dark on light in both themes: it stands on plaster
        dark = {"color": "#23262b", "fontsize": 12, "ha": "center", "va": "center"}
        light = [withStroke(linewidth=2.5, foreground="#fdfcf8")]
        for label, (x, y) in zip(teeth, picture.projection.pixels([i.at_mm for i in teeth])):
            axes.text(x, y, label.text, path_effects=light, **dark)
    return figure


def plate_png(scene: Scene, view: str) -> bytes:
    """Return :func:`plate` as the bytes of a PNG."""
    from PIL import Image

    canvas = plate(scene, view).canvas
    canvas.draw()
    out = io.BytesIO()
    Image.fromarray(np.asarray(canvas.buffer_rgba())[..., :3]).save(out, format="PNG")
    return out.getvalue()
