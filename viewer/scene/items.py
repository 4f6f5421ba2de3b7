"""The records a scene is made of: surfaces, tubes, points, planes, labels and views.

Plain numbers and names, no drawing library. Coordinates are in ``axis_orbital``, mm.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import frozen
from kinematics.casts.cast import Cast
from viewer.look.palette import LineStyle, Theme

MARGIN = 0.08
"""Room around what a picture holds, a share of its size (ours)."""
DASH_MM = (5.0, 3.0)
"""Drawn and left-out length of a dashed tube."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A cast in a pose, in one colour, or coloured by a signed amount.

    Attributes
    ----------
    layer, role : str
    cast : Cast
    pose : RigidTransform
        From the cast's own coordinates to ``axis_orbital``.
    opacity : float
    signed_um : ndarray, shape (n,), or None
        High (positive) or open amount, micrometres; NaN where none is defined.
    """

    layer: str
    role: str
    cast: Cast
    pose: RigidTransform
    opacity: float = 1.0
    signed_um: NDArray[np.float64] | None = None

    @cached_property
    def vertices_mm(self) -> NDArray[np.float64]:
        """Vertices of the cast in its pose, shape (n, 3), mm."""
        return frozen(self.pose.apply(self.cast.vertices_mm))


@dataclass(frozen=True, eq=False)
class Tube:
    """A path with thickness; dashes are already cut into ``pieces``.

    Attributes
    ----------
    pieces : tuple of ndarray, each shape (k, 3), mm
        What is drawn, in order along the path.
    path_mm : ndarray, shape (n, 3), mm
        The whole path.
    """

    layer: str
    role: str
    path_mm: NDArray[np.float64]
    pieces: tuple[NDArray[np.float64], ...]
    radius_mm: float
    style: LineStyle
    name: str = ""


@dataclass(frozen=True, eq=False)
class Points:
    """Small balls; ``names`` belongs to ``points_mm``, shape (n, 3)."""

    layer: str
    role: str
    points_mm: NDArray[np.float64]
    radius_mm: float
    names: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Plane:
    """A flat quadrilateral; ``corners_mm`` has shape (4, 3)."""

    layer: str
    role: str
    corners_mm: NDArray[np.float64]
    opacity: float


@dataclass(frozen=True, eq=False)
class Label:
    """Text at a point; ``at_mm`` has shape (3,); ``strong`` for the landmark of the headline."""

    layer: str
    role: str
    text: str
    at_mm: NDArray[np.float64]
    strong: bool = False


Item = Surface | Tube | Points | Plane | Label


@dataclass(frozen=True, eq=False)
class View:
    """A parallel projection.

    Attributes
    ----------
    name : str
    towards : ndarray, shape (3,)
        Viewing direction, from the eye into the picture.
    up : ndarray, shape (3,)
    layers : tuple of str
        Layers that this view shows at first.
    cast_opacity : float
        Casts are drawn see-through below 1, so that what lies inside shows.
    """

    name: str
    towards: NDArray[np.float64]
    up: NDArray[np.float64]
    layers: tuple[str, ...]
    cast_opacity: float = 1.0


@dataclass(frozen=True, eq=False)
class Scene:
    """Everything drawable of one assessment for one stop and one theme.

    Attributes
    ----------
    items : tuple of Item
    theme : {"light", "dark"}
    stop : str
        Which stop the articulator pose and the signed map belong to.
    signed_limit_um : float
        End of the scale of the signed map, micrometres.
    views : dict of View
    """

    items: tuple[Item, ...]
    theme: Theme
    stop: str
    signed_limit_um: float
    views: dict[str, View]

    def of(self, *layers: str) -> tuple[Item, ...]:
        """Items of some layers, in drawing order."""
        return tuple(i for i in self.items if i.layer in layers)


def points_of(item: Item) -> NDArray[np.float64]:
    """Every point that an item occupies, shape (n, 3), mm; labels occupy none."""
    if isinstance(item, Surface):
        return item.vertices_mm
    if isinstance(item, Tube):
        return item.path_mm
    if isinstance(item, Points):
        return item.points_mm
    return item.corners_mm if isinstance(item, Plane) else np.zeros((0, 3))


@dataclass(frozen=True, eq=False)
class Projection:
    """A parallel projection onto a picture of a given size.

    Attributes
    ----------
    focal_mm, towards, right, up : ndarray, shape (3,)
        Middle of the picture and an orthonormal basis: into the picture, to its right, upwards.
    half_height_mm : float
    size_px : (int, int)
        Width and height.
    """

    focal_mm: NDArray[np.float64]
    towards: NDArray[np.float64]
    right: NDArray[np.float64]
    up: NDArray[np.float64]
    half_height_mm: float
    size_px: tuple[int, int]

    @property
    def mm_per_px(self) -> float:
        """Length of a pixel in the picture's plane."""
        return 2.0 * self.half_height_mm / self.size_px[1]

    def pixels(self, points_mm: ArrayLike) -> NDArray[np.float64]:
        """Pixel coordinates (from the left, from the top) of points, shape (n, 2)."""
        q = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3) - self.focal_mm
        width, height = self.size_px
        x = 0.5 * width + (q @ self.right) / self.mm_per_px
        y = 0.5 * height - (q @ self.up) / self.mm_per_px
        return np.stack([x, y], axis=1)


def fit(view: View, points_mm: NDArray[np.float64], size_px: tuple[int, int]) -> Projection:
    """Projection of a view that just holds all points, with :data:`MARGIN`."""
    towards = view.towards / np.linalg.norm(view.towards)
    right = np.cross(towards, view.up)
    right = right / np.linalg.norm(right)
    up = np.cross(right, towards)
    points = points_mm if len(points_mm) else np.zeros((1, 3))
    across, along, deep = points @ right, points @ up, points @ towards
    middle = [0.5 * (c.min() + c.max()) for c in (across, along, deep)]
    focal = middle[0] * right + middle[1] * up + middle[2] * towards
    width, height = size_px
    half = max(np.ptp(along), np.ptp(across) * height / width, 10.0) / 2.0
    basis = (frozen(towards), frozen(right), frozen(up))
    return Projection(frozen(focal), *basis, float(half * (1.0 + 2.0 * MARGIN)), size_px)


def dashes(
    path_mm: NDArray[np.float64], style: LineStyle, lengths_mm: tuple[float, float] = DASH_MM
) -> tuple[NDArray[np.float64], ...]:
    """Cut a path into the pieces that a line style draws.

    Parameters
    ----------
    path_mm : ndarray, shape (n, 3), mm
    style : {"solid", "dashed", "dotted"}
        ``dotted`` draws a fifth of the dashed length.
    lengths_mm : (float, float)
        Drawn and left-out length along the path.

    Notes
    -----
    *Guarantee*: every piece lies on the path, starts and ends are interpolated exactly, and the
    first piece starts at the path's start.
    """
    steps = np.linalg.norm(np.diff(path_mm, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    total = float(along[-1])
    on, off = lengths_mm
    if style == "dotted":
        on, off = on / 5.0, off / 2.0
    if style == "solid" or total <= on:
        return (frozen(path_mm),)
    pieces = []
    for start in np.arange(0.0, total, on + off):
        end = min(start + on, total)
        if end - start < 1e-9:
            continue
        inner = along[(along > start) & (along < end)]
        at = np.concatenate([[start], inner, [end]])
        pieces.append(frozen(np.stack([np.interp(at, along, c) for c in path_mm.T], axis=1)))
    return tuple(pieces)
