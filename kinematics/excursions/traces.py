"""Paths that cusps trace on the opposing teeth in excursions, and how close they run to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from kinematics.articulator.path import Kind
from kinematics.base.arrays import FloatArray
from kinematics.casts.clearance import CLEARANCE_LIMIT_MM, ClearanceSurface
from kinematics.casts.occlusal import automatic_landmarks
from kinematics.excursions.results import WHO, ExcursionErrors, Trace, Who
from kinematics.excursions.teeth import ToothPair

MAX_TRACES = 16
"""Most landmarks of an arch whose paths are kept (ours)."""
UPPER_CUSPS = ("palatal cusp", "cusp tip", "incisal edge")
LOWER_CUSPS = ("buccal cusp", "cusp tip", "incisal edge")
"""Cusps and edges that meet the other arch, as ends of their names."""


def traces(
    errors: ExcursionErrors, pair: ToothPair, teeth: Sequence[int], points_mm: FloatArray
) -> tuple[Trace, ...]:
    """Trace the upper's supporting cusps on the lower, and the lower's on the upper.

    Parameters
    ----------
    errors : ExcursionErrors
    pair : ToothPair
    teeth : sequence of int
    points_mm : ndarray, shape (k, 3), mm
        The lower's landmarks at the start, as ``errors.names``.

    Notes
    -----
    Upper cusps are found on a labelled upper only. Of the lower's landmarks those with a tooth
    number count that are a buccal cusp, a cusp tip or an incisal edge; without any, all.
    *Guarantee*: a path is the cusp carried by the excursion's own motions; nothing is fitted.
    """
    upper = [
        (name, tooth, point)
        for name, tooth, point in automatic_landmarks(pair.upper)
        if name.endswith(UPPER_CUSPS)
    ]
    lower = [
        (name, tooth, points_mm[i])
        for i, (name, tooth) in enumerate(zip(errors.names, teeth))
        if tooth and name.endswith(LOWER_CUSPS)
    ] or [(name, tooth, points_mm[i]) for i, (name, tooth) in enumerate(zip(errors.names, teeth))]
    out: list[Trace] = []
    for kind in errors.kinds:
        moves = {who: errors.motions(kind, who) for who in WHO}
        backs: dict[Who, FloatArray] = {
            who: np.asarray(np.linalg.inv(m), dtype=np.float64) for who, m in moves.items()
        }
        out += _arch(kind, upper, "lower", backs, pair.lower_surface)
        out += _arch(kind, lower[:MAX_TRACES], "upper", moves, pair.upper_surface)
    return tuple(out)


def _arch(
    kind: Kind,
    cusps: Sequence[tuple[str, int, FloatArray]],
    on: Literal["lower", "upper"],
    motions: Mapping[Who, FloatArray],
    surface: ClearanceSurface,
) -> list[Trace]:
    """Carry the cusps of one arch over the other."""
    out = []
    for name, tooth, point in cusps:
        paths = {who: m[:, :3, :3] @ point + m[:, :3, 3] for who, m in motions.items()}
        gaps = {who: surface.clearance(p, CLEARANCE_LIMIT_MM)[0] for who, p in paths.items()}
        out.append(Trace(name, tooth, on, kind, paths, gaps))
    return out
