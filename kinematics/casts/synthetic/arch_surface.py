"""Surface of a synthetic arch: rays in sections square to the arch, then a closed mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, maximum_filter1d

from kinematics.base.arrays import FloatArray
from kinematics.casts.cast import Cast
from kinematics.casts.synthetic.arch_form import ArchSolid

STEP_MM = 0.4
"""Step along a ray, thinner than any edge of a tooth (ours)."""
REACH_MM = 14.4
"""Longest ray; no crown is longer (ours)."""
WALL_BLUR = 0.03
"""Share of the arch over which the base's walls are smoothed (ours)."""
SHOULDER_MM = 1.0
"""How far the trimmed base stands out beyond the gingiva (ours)."""
LABEL_REACH_MM = 0.3
"""A point this near to a crown, and outside the gingiva, is labelled with its tooth (ours)."""


@dataclass(eq=False)
class Sheet:
    """The tooth-bearing surface of one arch over (section, ray); heights may be carved.

    Attributes
    ----------
    w_mm, h_mm : ndarray, shape (n, m)
        Buccal distance and height towards the other arch; rows from the patient's right to the
        left, columns from buccal over the teeth to lingual.
    tooth : ndarray of int16, shape (n, m)
    """

    solid: ArchSolid
    s_mm: FloatArray
    w_mm: FloatArray
    h_mm: FloatArray
    tooth: NDArray[np.int16]

    @property
    def sign(self) -> float:
        """+1 for the lower arch, whose teeth point up."""
        return self.solid.sign

    def points(self) -> FloatArray:
        """Points in space, shape (n, m, 3), mm."""
        s = np.broadcast_to(self.s_mm[:, None], self.w_mm.shape)
        return self.solid.to_space(s, self.w_mm, self.h_mm)


def grid_faces(n: int, m: int) -> NDArray[np.int64]:
    """Triangles of an (n, m) grid of vertices, both halves of a cell."""
    i = np.arange(n * m).reshape(n, m)
    a, b, c, d = i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]
    return np.concatenate([np.stack([a, b, c], -1), np.stack([a, c, d], -1)]).reshape(-1, 3)


def cast_sheet(solid: ArchSolid, *, section_mm: float = 0.2, rays: int = 180) -> Sheet:
    """Find the surface along rays from a spine inside the arch.

    Parameters
    ----------
    section_mm : float
        Distance of the sections.
    rays : int
        Number of rays a section.
    """
    first, last = solid.s_range
    s = np.linspace(first, last, int((last - first) / section_mm))
    k = solid.section(s)
    depth = k["margin_h"] - k["shelf_h"]
    half = solid.gum_half(k, depth)
    drop = k["shelf_h"] - k["core_h"]
    start = np.arctan2(drop, k["gum_w"] + half - k["core_w"])
    stop = np.pi - np.arctan2(drop, k["core_w"] - k["gum_w"] + half)
    even = np.linspace(0.0, 1.0, rays)
    angle = start[:, None] + even * (stop - start)[:, None]
    # First look at every third section, then spread the rays evenly along the surface found.
    some = np.unique(np.append(np.arange(0, len(s), 3), len(s) - 1))
    w, h = cast_rays(solid, s[some], angle[some], rounds=3)
    length = np.hypot(np.diff(w, axis=1), np.diff(h, axis=1))
    length = np.minimum(length, 6.0 * length.mean())
    length = gaussian_filter1d(length, 2.0, axis=0, mode="nearest")
    length = gaussian_filter1d(length, 1.5, axis=1, mode="nearest")
    length += 0.35 * length.mean(axis=1, keepdims=True)
    total = np.concatenate([np.zeros((len(some), 1)), np.cumsum(length, axis=1)], axis=1)
    total /= total[:, -1:]
    share = np.stack([np.interp(even, row, even) for row in total])
    share = np.stack([np.interp(s, s[some], column) for column in share.T], axis=1)
    angle = start[:, None] + share * (stop - start)[:, None]
    w, h = cast_rays(solid, s, angle)
    return Sheet(solid, s, w, h, tooth_labels(solid, s, w, h))


def cast_rays(
    solid: ArchSolid, s: FloatArray, angle: FloatArray, rounds: int = 9
) -> tuple[FloatArray, FloatArray]:
    """First exit of each ray: steps of 0.4 mm, then the Illinois form of false position."""
    k = solid.section(s)
    n, m = angle.shape
    section = np.repeat(s, m)
    dw, dh = np.cos(angle).ravel(), np.sin(angle).ravel()
    w0, h0 = np.repeat(k["core_w"], m), np.repeat(k["core_h"], m)

    def value(ids: NDArray[np.int64], r: FloatArray) -> FloatArray:
        return solid.solid(section[ids], w0[ids] + r * dw[ids], h0[ids] + r * dh[ids])

    every = np.arange(n * m)
    low, high = np.zeros(n * m), np.full(n * m, REACH_MM)
    f_low, f_high = np.full(n * m, -1.0), np.full(n * m, 1.0)
    active = every
    for r in np.arange(2 * STEP_MM, REACH_MM + STEP_MM, STEP_MM):
        f = value(active, np.full(len(active), r))
        out, inside = active[f > 0], active[f <= 0]
        high[out], f_high[out] = r, f[f > 0]
        low[inside], f_low[inside] = r, f[f <= 0]
        active = inside
        if not len(active):
            break
    for _ in range(rounds):
        r = (low * f_high - high * f_low) / (f_high - f_low)
        f = value(every, r)
        out = f > 0
        high, low = np.where(out, r, high), np.where(out, low, r)
        f_high, f_low = np.where(out, f, 0.5 * f_high), np.where(out, 0.5 * f_low, f)
    r = (low * f_high - high * f_low) / (f_high - f_low)
    return (w0 + r * dw).reshape(n, m), (h0 + r * dh).reshape(n, m)


def tooth_labels(
    solid: ArchSolid, s: FloatArray, w: FloatArray, h: FloatArray
) -> NDArray[np.int16]:
    """ISO 3950 number of the nearest crown where the surface is a crown's, else 0."""
    section = np.repeat(s, w.shape[1])
    points = solid.to_space(section, w.ravel(), h.ravel())
    best = np.full(len(section), LABEL_REACH_MM)
    label = np.zeros(len(section), np.int16)
    for tooth in solid.teeth:
        near = np.flatnonzero(np.abs(section - tooth.s_mm) < tooth.half_span_mm + 2.5)
        f = tooth.solid(points[near])
        better = f < best[near]
        best[near[better]] = f[better]
        label[near[better]] = tooth.crown.number
    gum = solid.gum(section, w.ravel(), h.ravel())
    label[gum < np.maximum(best, 0.02)] = 0
    return label.reshape(w.shape)


def mesh_of(sheet: Sheet, triangles: int) -> Cast:
    """Sample a sheet, add a flat-trimmed base and close it.

    Parameters
    ----------
    triangles : int
        Wanted number, met within 5 percent.

    Notes
    -----
    Guarantee: closed, one piece, outward orientation. Rows and columns are spread by the length
    of surface between them, so that steep walls get more of them.
    """
    along = np.linalg.norm(np.diff(sheet.points(), axis=0), axis=2)
    along = np.sqrt((along**2).mean(axis=1))
    across = np.hypot(np.diff(sheet.w_mm, axis=1), np.diff(sheet.h_mm, axis=1)).mean(axis=0)
    wall = float((sheet.h_mm[:, 0] - sheet.solid.bottom_h).mean())
    floor = float(np.ptp(sheet.w_mm, axis=1).mean())
    # Edge length e: rows = length / e, columns = top / e + base / (2.5 e); two triangles a cell.
    top, base = float(across.sum()), (2 * wall + floor) / 2.5
    edge = float(np.sqrt(2.0 * along.sum() * (top + base) / triangles))
    columns = max(24, round(top / edge))
    walls, floors = max(2, round(wall / 2.5 / edge)), max(2, round(floor / 2.5 / edge))
    loop = columns + 2 * walls + floors - 1
    rings = max(1, round(0.4 * floor / 2.5 / edge))
    rows = max(40, round((triangles - 2 * loop * (2 * rings - 1)) / (2 * loop)) + 1)

    s, row, a = spread_evenly(along, rows, sheet.s_mm)
    _, column, b = spread_evenly(across, columns, np.arange(sheet.w_mm.shape[1], dtype=float))

    def sample(grid: FloatArray) -> FloatArray:
        g = grid[row] * (1 - a)[:, None] + grid[row + 1] * a[:, None]
        return g[:, column] * (1 - b) + g[:, column + 1] * b

    w, h = sample(sheet.w_mm), sample(sheet.h_mm)
    tooth = sheet.tooth[(row + np.round(a).astype(int))][:, column + np.round(b).astype(int)]
    w, h = with_base(w, h, sheet.solid.bottom_h, walls, floors)
    tooth = np.pad(tooth, ((0, 0), (0, loop - columns)))
    return closed_mesh(sheet, s, w, h, tooth, rings)


def spread_evenly(
    length: FloatArray, count: int, at: FloatArray
) -> tuple[FloatArray, NDArray[np.int64], FloatArray]:
    """Positions evenly spread along a length mixed with an even spacing: value, cell, share."""
    weight = length + 0.4 * length.mean()
    total = np.concatenate([[0.0], np.cumsum(weight)])
    place = np.interp(np.linspace(0, total[-1], count), total, np.arange(len(total)))
    cell = np.minimum(place.astype(np.int64), len(total) - 2)
    share = place - cell
    return at[cell] * (1 - share) + at[cell + 1] * share, cell, share


def with_base(
    w: FloatArray, h: FloatArray, bottom: float, walls: int, floors: int
) -> tuple[FloatArray, FloatArray]:
    """Append the lingual wall, the flat bottom and the buccal wall to every section."""
    drop, across = np.linspace(0, 1, walls + 1)[1:], np.linspace(0, 1, floors + 1)[1:-1]
    # The trimmed walls follow the ridge, not each tooth.
    blur = WALL_BLUR * len(w)
    lingual = -smooth_above(-w[:, -1], blur)[:, None] - SHOULDER_MM
    buccal = smooth_above(w[:, 0], blur)[:, None] + SHOULDER_MM
    h_lingual, h_buccal = (edge + (bottom - edge) * drop for edge in (h[:, -1:], h[:, :1]))
    w_floor = lingual + (buccal - lingual) * across
    wall = np.ones(walls)
    return (
        np.concatenate([w, lingual * wall, w_floor, buccal * wall], axis=1),
        np.concatenate([h, h_lingual, np.full_like(w_floor, bottom), h_buccal[:, ::-1]], axis=1),
    )


def smooth_above(value: FloatArray, blur: float) -> FloatArray:
    """Smooth curve that stays about level with the highest values nearby."""
    top = maximum_filter1d(value, int(2 * blur) + 1, mode="nearest")
    return gaussian_filter1d(top, blur, mode="nearest")


def closed_mesh(
    sheet: Sheet, s: FloatArray, w: FloatArray, h: FloatArray, tooth: NDArray[np.int16], rings: int
) -> Cast:
    """Join sections to a closed cast, with a fan of rings over either end."""
    n, m = w.shape
    points = sheet.solid.to_space(np.broadcast_to(s[:, None], w.shape), w, h)
    index, beside = np.arange(n * m).reshape(n, m), np.roll(points, -1, axis=1)
    right = np.roll(index, -1, axis=1)
    a, b, c, d = index[:-1], index[1:], right[1:], right[:-1]
    diagonals = (points[:-1] - beside[1:], points[1:] - beside[:-1])
    shorter = np.less_equal(*(np.linalg.norm(x, axis=2, keepdims=True) for x in diagonals))
    one = np.where(shorter, np.stack([a, b, c], -1), np.stack([a, b, d], -1))
    two = np.where(shorter, np.stack([a, c, d], -1), np.stack([b, c, d], -1))
    faces = [one.reshape(-1, 3), two.reshape(-1, 3)]
    vertices = [points.reshape(-1, 3)]
    labels = [tooth.reshape(-1)]
    total = n * m
    for row, flip in ((0, False), (n - 1, True)):
        middle = points[row].mean(axis=0)
        outer = index[row]
        for ring in range(1, rings):
            share = ring / rings
            vertices.append(points[row] * (1 - share) + middle * share)
            labels.append(np.zeros(m, np.int16))
            inner = total + np.arange(m)
            total += m
            o, i = np.roll(outer, -1), np.roll(inner, -1)
            strip = np.concatenate([np.stack([outer, o, i], -1), np.stack([outer, i, inner], -1)])
            faces.append(strip[:, ::-1] if flip else strip)
            outer = inner
        vertices.append(middle[None])
        labels.append(np.zeros(1, np.int16))
        fan = np.stack([outer, np.roll(outer, -1), np.full(m, total)], -1)
        total += 1
        faces.append(fan[:, ::-1] if flip else fan)
    all_faces = np.concatenate(faces)
    if sheet.sign < 0:
        all_faces = all_faces[:, ::-1]
    return Cast(sheet.solid.arch, np.concatenate(vertices), all_faces, np.concatenate(labels))
