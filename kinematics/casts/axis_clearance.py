"""How near an axis runs to a cast, by cells of triangles that are looked into only where needed."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import Finding
from kinematics.casts.cast import Cast

NEAREST_AXIS_MM = 10.0
"""An axis closer than this to a cast is refused: no condyle lies so near the teeth (ours)."""
CELL_MM = 8.0
"""Edge of a cell (ours): a few hundred cells a cast."""


class CastClearance:
    """One cast's triangles in cells, each in an enclosing sphere; found once, asked for many axes.

    Parameters
    ----------
    cast : Cast
        In the frame of the axes.
    """

    def __init__(self, cast: Cast) -> None:
        self.cast = cast

    @cached_property
    def _cells(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Triangles sorted by cell, and where each cell begins."""
        first = self.cast.vertices_mm[self.cast.faces[:, 0]]
        grid = np.floor((first - first.min(axis=0)) / CELL_MM).astype(np.int64)
        _, _, depth = grid.max(axis=0) + 1
        key = (grid[:, 0] * (grid[:, 1].max() + 1) + grid[:, 1]) * depth + grid[:, 2]
        order = np.argsort(key, kind="stable")
        starts = np.flatnonzero(np.diff(key[order], prepend=-1))
        return order, starts

    @cached_property
    def _spheres(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Centre (c, 3) and radius (c,) of a sphere about the triangles of each cell, mm."""
        order, starts = self._cells
        corners = self.cast.vertices_mm[self.cast.faces[order]]
        low = np.minimum.reduceat(corners.min(axis=1), starts)
        high = np.maximum.reduceat(corners.max(axis=1), starts)
        return 0.5 * (low + high), 0.5 * np.linalg.norm(high - low, axis=1)

    def nearer_than(self, axis: HingeAxis, limit_mm: float) -> float | None:
        """Distance of the (infinite) axis from the cast where it is below a limit, else None.

        Notes
        -----
        *Guarantee*: the answer of :meth:`kinematics.base.axis.HingeAxis.distance_to_triangles_mm`
        over all triangles (tested), of which only those of cells within reach are looked at.
        """
        if not len(self.cast.faces) or not np.isfinite(self.cast.vertices_mm).all():
            return None  # the checks of the mesh say what is wrong with it
        order, starts = self._cells
        centre, radius = self._spheres
        reach = np.flatnonzero(axis.distance_mm(centre) - radius < limit_mm)
        if not len(reach):
            return None
        ends = np.append(starts[1:], len(order))
        chosen = np.concatenate([order[starts[i] : ends[i]] for i in reach])
        near = axis.distance_to_triangles_mm(self.cast.vertices_mm[self.cast.faces[chosen]])
        return near if near < limit_mm else None


def axes_in_casts(
    casts: Iterable[CastClearance], axes: Iterable[tuple[str, HingeAxis]]
) -> list[Finding]:
    """Errors for axes that run through or too near a cast.

    Parameters
    ----------
    casts : iterable of CastClearance
    axes : iterable of (name, HingeAxis)
        The name is the case's table.
    """
    casts = tuple(casts)
    findings = []
    for name, axis in axes:
        for known in casts:
            near = known.nearer_than(axis, NEAREST_AXIS_MM)
            if near is not None:
                findings.append(
                    Finding(
                        "error",
                        name,
                        f"an axis {near:.3g} mm from the {known.cast.arch} cast, where at least "
                        f"{NEAREST_AXIS_MM:g} mm are needed",
                        "Check the axis points, the mounting and the unit.",
                    )
                )
    return findings
