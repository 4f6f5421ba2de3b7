"""The two diagrams beside the casts, as numbers for the page's SVG: arcs, error against departure.

Pixel coordinates of the drawing's own box; colours and text stay with the page, so that one drawing
serves light and dark.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kinematics.assessment import DepartureCurve
from kinematics.base.words import room_words
from viewer.figures.numbers import (
    SHORTEST_PATH_MM,
    ArcPair,
    arc_pairs,
    departure_plot,
    hinges_at,
    ticks,
)
from viewer.look.palette import AXIS_LABEL, STOP_LABEL
from viewer.look.text import minus

if TYPE_CHECKING:
    from kinematics.closure.close import Closures

ARCS_BOX = (400.0, 350.0)
CURVE_BOX = (400.0, 215.0)
MARGIN = {"left": 44.0, "right": 8.0, "top": 20.0, "bottom": 36.0}
LETTER_PX, STRONG_PX = 7.4, 8.4
"""Width of a letter of the charts' text, and of their bold text (ours: what browsers need)."""
LINE_PX = 15.0
SAME = "record = target: no path, no error"
"""What stands in the place of the enlarged paths where there are none."""


def svg_path(x: NDArray[np.float64], y: NDArray[np.float64]) -> str:
    """Path data of a polyline; it breaks where a value is not finite."""
    out, pen = [], "M"
    for a, b in zip(x, y, strict=True):
        if np.isfinite(a) and np.isfinite(b):
            out.append(f"{pen}{a:.1f} {b:.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(out)


def shortened(text: str, width: float, letter: float = LETTER_PX) -> str:
    """A text that fits a width in pixels, its end cut off where it must be."""
    most = max(2, int(width / letter))
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def curve_chart(
    reading: Closures, curve: DepartureCurve, largest_mm: float, box: tuple[float, float]
) -> dict[str, Any]:
    """Error against departure as drawing instructions.

    Parameters
    ----------
    reading : Closures
    curve : DepartureCurve
        Of some or all stops.
    largest_mm : float
        Largest closure that keeps the risk limit; NaN or infinite where there is none to draw.
    box : (float, float)
        Width and height in pixels.
    """
    width, height = box
    x0, x1 = MARGIN["left"], width - MARGIN["right"]
    y0, y1 = height - MARGIN["bottom"], MARGIN["top"]
    plot = departure_plot(reading, curve, largest_mm)
    low, high, top = float(plot.departure_mm[0]), float(plot.departure_mm[-1]), plot.top_um

    def px(value: Any) -> Any:
        return x0 + (np.asarray(value) - low) / (high - low) * (x1 - x0)

    def py(value: Any) -> Any:
        return y0 - np.asarray(value) / top * (y0 - y1)

    curves = [
        {
            "stop": stop,
            "name": STOP_LABEL[stop],
            "chosen": stop == plot.stop,
            "d": svg_path(px(plot.departure_mm), py(y_um)),
        }
        for stop, y_um in plot.curves_um.items()
    ]
    (here_mm, here_um), even = plot.here, plot.limit_mm
    return {
        "w": width, "h": height, "x0": x0, "x1": x1, "y0": y0, "y1": y1,
        "xticks": [{"at": float(px(t)), "text": minus(t)} for t in ticks(low, high)],
        "yticks": [{"at": float(py(t)), "text": minus(t)} for t in ticks(0.0, top, 5)],
        "curves": sorted(curves, key=lambda c: bool(c["chosen"])),
        "tolerance": float(py(plot.tolerance_um)),
        "tolerance_text": f"tolerance {plot.tolerance_um:.0f} µm",
        "even": float(px(even)) if np.isfinite(even) else None,
        "even_text": f"largest closure {room_words(abs(even))}" if np.isfinite(even) else "",
        "here": [float(np.clip(px(here_mm), x0, x1)), float(py(here_um))],
        "here_text": f"{here_um:.0f} µm",
    }  # fmt: skip


def fit_box(
    points: NDArray[np.float64], box: tuple[float, float, float, float]
) -> tuple[float, NDArray[np.float64]]:
    """Scale (px a mm) and shift that put (x, z) points, seen from the left, into a box."""
    drawn = points * [-1.0, -1.0]
    low, high = drawn.min(axis=0), drawn.max(axis=0)
    size = np.maximum(high - low, 1e-6)
    left, top, width, height = box
    scale = float(min(width / size[0], height / size[1]))
    middle = np.array([left + width / 2, top + height / 2])
    return scale, middle - scale * (low + high) / 2


def arcs_chart(reading: Closures, factor: int, box: tuple[float, float]) -> dict[str, Any]:
    """Sagittal paths of two landmarks about both axes as drawing instructions.

    Parameters
    ----------
    reading : Closures
    factor : int
        Multiplies the distance of the arbitrary path from the true one; written on the drawing.
    box : (float, float)
        Width and height in pixels; the upper part is at true scale, the lower enlarged.
    """
    width, height = box
    pairs = arc_pairs(reading, reading.stop, factor)
    y = float(pairs[0].true_mm[0, 1])
    hinge = hinges_at(reading, y)
    every = [np.stack(list(hinge.values()))]
    every += [p.true_mm[:, [0, 2]] for p in pairs] + [p.arbitrary_mm[:, [0, 2]] for p in pairs]
    split = 0.47 * height
    wide = LETTER_PX * max(len(text) for text in AXIS_LABEL.values())
    scale, shift = fit_box(np.concatenate(every), (40.0, 24.0, width - 50.0 - wide, split - 58.0))

    def px(path: NDArray[np.float64]) -> NDArray[np.float64]:
        return scale * path * [-1.0, -1.0] + shift

    overview: dict[str, Any] = {"hinges": [], "paths": [], "names": []}
    for role, point in hinge.items():
        at = px(point)
        overview["hinges"].append(
            {"role": role, "at": at.tolist(), "text": AXIS_LABEL[role], "dy": 0.0}
        )
        for pair in pairs:
            path = pair.true_mm if role == "true" else pair.arbitrary_mm
            drawn = px(path[:, [0, 2]])
            overview["paths"].append({"role": role, "d": svg_path(*drawn.T), "wide": True})
            spoke = np.stack([at, drawn[0]])
            overview["paths"].append({"role": role, "d": svg_path(*spoke.T), "wide": False})
    upper_first = overview["hinges"][0]["at"][1] <= overview["hinges"][1]["at"][1]
    overview["hinges"][0]["dy"], overview["hinges"][1]["dy"] = (-9, 13) if upper_first else (13, -9)
    bar = 10.0 * scale
    for pair in pairs:
        low = px(pair.true_mm[[0, -1]][:, [0, 2]])
        text = shortened(pair.name, 0.5 * width)
        half = 0.5 * LETTER_PX * len(text)
        x_text = float(np.clip(low[0, 0], half, width - 24.0 - bar - half))
        y_text = float(low[:, 1].max()) + 16.0
        for other in overview["names"]:  # one under the other where they would meet
            near = half + 0.5 * LETTER_PX * len(other["text"]) > abs(x_text - other["at"][0])
            if near and abs(y_text - other["at"][1]) < LINE_PX:
                y_text = other["at"][1] + LINE_PX
        overview["names"].append({"text": text, "at": [x_text, y_text]})
    room = width / len(pairs)
    moves = max(float(np.ptp(pair.true_mm, axis=0).max()) for pair in pairs) > SHORTEST_PATH_MM
    details = [
        detail_chart(pair, (i * room + 6.0, split + 52.0, room - 12.0, height - split - 64.0))
        for i, pair in enumerate(pairs if moves else [])
    ]
    return {
        "w": width, "h": height, "split": split, "overview": overview, "details": details,
        "factor": factor, "bar": bar, "same": "" if moves else SAME,
    }  # fmt: skip


def detail_chart(pair: ArcPair, box: tuple[float, float, float, float]) -> dict[str, Any]:
    """One landmark's paths enlarged into a box."""
    true = pair.true_mm[:, [0, 2]]
    drawn = pair.drawn_mm[:, [0, 2]]
    left, top, width, height = box
    scale, shift = fit_box(np.concatenate([true, drawn]), (left + 14.0, top, width - 28.0, height))
    a, b = scale * true * [-1.0, -1.0] + shift, scale * drawn * [-1.0, -1.0] + shift
    return {
        "name": shortened(pair.name, width, STRONG_PX),
        "size": f"{float(np.linalg.norm(pair.error_um)):.0f} µm",
        "x": left,
        "y": top - 28.0,
        "true": svg_path(*a.T),
        "arbitrary": svg_path(*b.T),
        "start": a[0].tolist(),
        "end_true": a[-1].tolist(),
        "end_arbitrary": b[-1].tolist(),
        "gap": svg_path(*np.stack([a[-1], b[-1]]).T),
        "mm": scale,
    }
