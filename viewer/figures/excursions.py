"""Figures of the excursions: paths of a landmark, error along the way, border, arcon guidance.

Draw them with :func:`viewer.figures.draw.draw_figure`, which sets the project's look.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.figures.style import DASH, new_figure, note, spread
from viewer.look.palette import LIGHT

if TYPE_CHECKING:
    from kinematics.articulator.path import ExcursionPath, Kind
    from kinematics.excursions.results import ArconComparison, BorderPair, ExcursionErrors, Who

KIND_LABEL = {
    "protrusion": "protrusion",
    "left_lateral": "left lateral",
    "right_lateral": "right lateral",
    "mixed": "mixed",
    "hinge": "hinge",
}
"""What is written for each excursion."""
VIEWS = (
    ("from the patient's right", 0, 2, "anterior (mm)", "up (mm)"),
    ("from below", 1, 0, "to the patient's left (mm)", "anterior (mm)"),
    ("from the front", 1, 2, "to the patient's left (mm)", "up (mm)"),
)
"""Title, horizontal and vertical component, and axis labels of each view of the paths."""
ROLES: tuple[tuple[Who, str, str, str], ...] = (
    ("patient", "true", "solid", "patient (true axis)"),
    ("articulator", "arbitrary", "dashed", "articulator (arbitrary axis)"),
)
"""Colour, line and label of each of the two."""
PATH_WIDTH = {"true": 2.2, "arbitrary": 1.8}
"""Width of a landmark's path, in printer's points."""


def excursion_paths_figure(errors: ExcursionErrors, landmark: int = 0) -> Any:
    """Draw one landmark's paths in three views, patient and articulator.

    Parameters
    ----------
    errors : ExcursionErrors
    landmark : int
        Index into ``errors.names``.

    Returns
    -------
    matplotlib.figure.Figure
        Movements from the patient's start, true scale. The patient's left is on the right of the
        picture from the front and from below, as when one looks at the patient.
    """
    figure = new_figure(10.4, 4.6)
    all_axes = figure.subplots(1, 3)
    figure.subplots_adjust(left=0.07, right=0.985, top=0.8, bottom=0.14, wspace=0.34)
    for axes, (title, across, upward, x_label, y_label) in zip(all_axes, VIEWS):
        for kind, error in errors.kinds.items():
            start = error.patient_mm[0, landmark]
            for who, role, line, _ in ROLES:
                move = (getattr(error, f"{who}_mm")[:, landmark] - start)[:, [across, upward]]
                look = {"ls": DASH[line], "lw": PATH_WIDTH[role], "color": getattr(LIGHT, role)}
                axes.plot(*move.T, gid=f"path-{kind}-{role}-{across}{upward}", **look)
                if not getattr(error, who).complete:
                    axes.plot(*move[-1], "X", ms=8, color=LIGHT.contact)
        axes.plot(0.0, 0.0, "o", ms=4, color=LIGHT.ink)
        axes.set_aspect("equal", adjustable="datalim")
        axes.set(title=title, xlabel=x_label, ylabel=y_label)
        axes.grid(visible=True)
    paths_legend(figure, errors.names[landmark], stopped_words(errors))
    return figure


def excursion_error_figure(errors: ExcursionErrors) -> Any:
    """Draw the size of the error against the way, one panel an excursion, one line a landmark.

    Returns
    -------
    matplotlib.figure.Figure
        Micrometres against mm of travel; the worst landmark in each panel is drawn strongly.
    """
    figure = new_figure(10.4, 4.2)
    all_axes = np.atleast_1d(figure.subplots(1, len(errors.kinds), sharey=True))
    figure.subplots_adjust(left=0.08, right=0.87, top=0.86, bottom=0.15, wspace=0.5)
    top = 1.1e3 * max(
        [1e-3, *(float(np.linalg.norm(e.error_mm, axis=2).max()) for e in errors.kinds.values())]
    )
    for axes, (kind, error) in zip(all_axes, errors.kinds.items()):
        way = error.patient.way_mm[: len(error.patient_mm)]
        size = 1e3 * np.linalg.norm(error.error_mm, axis=2)
        worst = int(size.max(axis=0).argmax())
        for j in range(size.shape[1]):
            weight, colour = (2.6, LIGHT.arbitrary) if j == worst else (1.2, LIGHT.quiet)
            gid = f"excursion-error-{kind}-{j}"
            axes.plot(way, size[:, j], lw=weight, color=colour, gid=gid)
        axes.set_ylim(0.0, top)
        # The few that stand out are named at the line's end; the rest would only overlap.
        ends = sorted({worst, int(size[-1].argmin())}, key=lambda j: float(size[-1, j]))
        places = spread(np.array([size[-1, j] for j in ends]), 0.06 * top, 0.0, top)
        for j, y in zip(ends, places):
            colour = LIGHT.ink if j == worst else LIGHT.quiet
            look: dict[str, Any] = {"fontsize": 9, "annotation_clip": False}
            note(axes, errors.names[j], (way[-1], y), (4, 0), colour, **look)
        axes.set(title=KIND_LABEL[kind], xlabel="way of the condyle (mm)")
        axes.grid(visible=True, axis="y")
    all_axes[0].set_ylabel("error in the excursion (µm)")
    stopped = stopped_words(errors)
    if stopped:
        figure.text(0.08, 0.955, stopped, fontsize=9, color=LIGHT.ink)
    return figure


def border_pair_figure(border: BorderPair) -> Any:
    """Draw the border figure in the mouth and on the articulator, and its protrusive part enlarged.

    Returns
    -------
    matplotlib.figure.Figure
        True scale, from the patient's right; the start in the mouth is the origin.
    """
    figure = new_figure(10.4, 5.4)
    whole = figure.add_axes((0.07, 0.11, 0.38, 0.74))
    part = figure.add_axes((0.56, 0.11, 0.42, 0.74))
    start = border.hinge_mm["patient"][0]
    ends = []
    for who, role, line, label in ROLES:
        hinge, protrusive = border.hinge_mm[who] - start, border.protrusive_mm[who] - start
        ends.append(hinge[-1])
        weight = 2.4 if who == "patient" else 2.0
        look = {"ls": DASH[line], "lw": weight, "color": getattr(LIGHT, role)}
        for axes, points, name, words in (
            (whole, hinge, "hinge", label),
            (whole, protrusive, "protrusion", None),
            (part, protrusive, "part", None),
        ):
            axes.plot(*points[:, [0, 2]].T, gid=f"border-{name}-{who}", label=words, **look)
        part.plot(*protrusive[-1, [0, 2]], "o", ms=5, color=getattr(LIGHT, role))
    apart = float(np.linalg.norm(ends[1] - ends[0]))
    text = f"{apart:.2f} mm apart\nafter {border.opening_deg:g}° of opening"
    note(whole, text, ends[0][[0, 2]], (18, 4), va="top", fontsize=9)
    for axes, title in ((whole, "hinge opening and protrusion"), (part, "protrusion, enlarged")):
        axes.plot(0.0, 0.0, "o", ms=5, color=LIGHT.ink)
        axes.set_aspect("equal", adjustable="datalim")
        axes.set(title=title, xlabel="anterior (mm)", ylabel="up (mm)")
        axes.grid(visible=True)
    whole.margins(x=0.2, y=0.1)
    figure.text(0.07, 0.95, f"Sagittal border of {border.name}", fontsize=11, color=LIGHT.ink)
    figure.legend(loc="upper left", bbox_to_anchor=(0.5, 0.99), ncols=2, fontsize=9)
    return figure


def arcon_figure(comparison: ArconComparison) -> Any:
    """Draw how far guidance on the mandible carries a tooth from where arcon guidance does.

    Returns
    -------
    matplotlib.figure.Figure
        Largest of the landmarks, micrometres, against the way of the condyles: after the change
        of the vertical dimension and before it.
    """
    figure = new_figure(10.4, 3.6)
    all_axes = np.atleast_1d(figure.subplots(1, len(comparison.difference_mm), sharey=True))
    figure.subplots_adjust(left=0.08, right=0.985, top=0.78, bottom=0.17, wspace=0.12)
    every = (*comparison.difference_mm.values(), *comparison.unchanged_mm.values())
    top = 1.08e3 * max([1e-3, *(float(np.linalg.norm(d, axis=2).max()) for d in every)])
    for axes, (kind, changed) in zip(all_axes, comparison.difference_mm.items()):
        for name, difference, line, role in (
            ("after the change of the vertical dimension", changed, "solid", "ink"),
            ("without it", comparison.unchanged_mm[kind], "dotted", "quiet"),
        ):
            size = 1e3 * np.linalg.norm(difference, axis=2).max(axis=1)
            way, label = comparison.way_mm[kind][: len(size)], name if axes is all_axes[0] else None
            weight = 2.4 if role == "ink" else 2.0
            look = {"ls": DASH[line], "lw": weight, "color": getattr(LIGHT, role)}
            axes.plot(way, size, label=label, gid=f"arcon-{kind}-{role}", **look)
        axes.set_ylim(0.0, top)
        axes.set(title=KIND_LABEL[kind], xlabel="way of the condyle (mm)")
        axes.grid(visible=True, axis="y")
    all_axes[0].set_ylabel("largest difference (µm)")
    figure.legend(loc="upper left", bbox_to_anchor=(0.07, 1.0), ncols=2, fontsize=9)
    return figure


def ended_early(errors: ExcursionErrors) -> list[tuple[Kind, Who, ExcursionPath]]:
    """Every path that does not go to its end: its excursion, and whose it is."""
    return [
        (kind, who, getattr(error, who))
        for kind, error in errors.kinds.items()
        for who, *_ in ROLES
        if not getattr(error, who).complete
    ]


def stopped_words(errors: ExcursionErrors) -> str:
    """Say which excursions ended early, and why."""
    early = ended_early(errors)
    return " · ".join(f"{KIND_LABEL[kind]}, {who}: {path.message}" for kind, who, path in early)


def role_lines(width: Mapping[str, float]) -> list[Any]:
    """Lines of both for a legend; ``width`` by role, in printer's points."""
    from matplotlib.lines import Line2D

    return [
        Line2D([], [], color=getattr(LIGHT, role), ls=DASH[line], lw=width[role], label=label)
        for _, role, line, label in ROLES
    ]


def paths_legend(figure: Any, name: str, stopped: str) -> None:
    """Write what is drawn above the panels."""
    from matplotlib.lines import Line2D

    handles = role_lines(PATH_WIDTH)
    if stopped:
        label = f"stops: {stopped}"
        handles.append(Line2D([], [], color=LIGHT.contact, marker="X", ls="", label=label))
    figure.text(0.07, 0.945, f"Paths of {name}", fontsize=11, color=LIGHT.ink)
    place = {"loc": "upper left", "bbox_to_anchor": (0.06, 0.945)}
    figure.legend(handles=handles, ncols=3, fontsize=9, **place)


EXCURSION_FIGURES: dict[str, Callable[..., Any]] = {
    "paths": excursion_paths_figure,
    "error": excursion_error_figure,
    "borders": border_pair_figure,
    "arcon": arcon_figure,
}
"""Every figure by name."""
