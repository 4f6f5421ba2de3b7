"""Arch form: where each tooth of a synthetic arch stands, and the gingiva and base around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from kinematics.base.arrays import FloatArray
from kinematics.casts.synthetic.tooth_shape import Crown, crown, smooth_max, smooth_min

CATENARY_MM = 14.3
"""Parameter of the line of occlusion (ours; a catenary is the commonest arch form in a study of
520 people, READ, and this one gives the intercanine and intermolar widths of 76, READ)."""
OCCLUSAL_SPHERE_MM = 101.6
"""Radius of the sphere on which cusps lie (Monson's 4 inches, READ second hand)."""
SPHERE_CENTRE_X_MM = -31.6
"""Puts incisors and second molars on one level; Spee's depth is then 1.9 mm (derived here)."""
SPHERE_RISE_MM = float(OCCLUSAL_SPHERE_MM - np.sqrt(OCCLUSAL_SPHERE_MM**2 - SPHERE_CENTRE_X_MM**2))
PAD_MM = 5.0
"""Length of the ridge behind the last tooth (ours)."""
GUM_SHOWN_MM = 3.5
"""Height of gingiva above the trimmed base's shoulder (ours)."""
BASE_MM = 9.0
"""From the lowest gingival margin to the flat bottom of the cast (ours)."""
PLACES = (1, 2, 3, 4, 5, 6, 7)


def line_of_occlusion(s_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Point and outward normal of the catenary at arc length ``s`` from the midline.

    Returns
    -------
    point, normal : ndarray, shape (n, 2)
        (x anterior, y left), mm; s counts positive to the left. The normal points buccally.
    """
    root = np.sqrt(CATENARY_MM**2 + s_mm**2)
    point = np.stack([CATENARY_MM - root, CATENARY_MM * np.arcsinh(s_mm / CATENARY_MM)], axis=-1)
    normal = np.stack([CATENARY_MM / root, s_mm / root], axis=-1)
    return point, normal


def occlusal_level(x_mm: FloatArray, y_mm: FloatArray) -> FloatArray:
    """Height of the occlusal sphere over (x, y), mm; 0 at the incisors."""
    d2 = (x_mm - SPHERE_CENTRE_X_MM) ** 2 + y_mm**2
    return OCCLUSAL_SPHERE_MM - np.sqrt(OCCLUSAL_SPHERE_MM**2 - d2) - SPHERE_RISE_MM


@dataclass(frozen=True, eq=False)
class PlacedTooth:
    """A crown with its pose: rows of ``axes`` are u, w and z of the crown's frame in space."""

    crown: Crown
    s_mm: float
    half_span_mm: float
    origin_mm: FloatArray
    axes: FloatArray

    def solid(self, points: FloatArray) -> FloatArray:
        """Signed measure of the crown at points of shape (n, 3)."""
        local = (points - self.origin_mm) @ self.axes.T
        return self.crown.solid(local[:, 0], local[:, 1], local[:, 2])

    def to_space(self, u: float, w: float, z: float) -> FloatArray:
        """Point of the crown's frame in space."""
        return self.origin_mm + np.array([u, w, z]) @ self.axes


@dataclass(frozen=True)
class Occlusion:
    """What the two arches share.

    Attributes
    ----------
    overbite_mm, overjet_mm : float
        Vertical and horizontal overlap of the central incisors.
    variation : float
        Factor on the seeded differences between left and right (0: mirror images).
    """

    overbite_mm: float = 2.5
    overjet_mm: float = 2.5
    variation: float = 1.0


def place_teeth(arch: str, occlusion: Occlusion, *, rng: np.random.Generator) -> list[PlacedTooth]:
    """Set 14 teeth along one arch, from the patient's right to the left.

    Parameters
    ----------
    arch : {"upper", "lower"}
    occlusion : Occlusion
    rng : numpy.random.Generator
        Draws size, rotation, tip and torque of each tooth.
    """
    out: list[PlacedTooth] = []
    for side in (-1, 1):
        quadrant = {("upper", -1): 1, ("upper", 1): 2, ("lower", 1): 3, ("lower", -1): 4}
        s = 0.0
        for place in PLACES:
            number = 10 * quadrant[arch, side] + place
            draw = np.clip(rng.normal(size=5), -2, 2) * occlusion.variation
            size = 1.0 + 0.006 * draw[0]
            shape = crown(number, size=size)
            offset = _contact_offset(arch, place)
            width = shape.width_mm
            span = width
            for _ in range(4):  # the contact line is longer or shorter than the catenary
                middle = s + 0.5 * span
                curvature = CATENARY_MM / (CATENARY_MM**2 + middle**2)
                span = width / (1.0 + curvature * offset)
            out.append(_pose(shape, arch, place, side * (s + 0.5 * span), span, occlusion, draw))
            s += span
    return sorted(out, key=lambda t: t.s_mm)


def _contact_offset(arch: str, place: int) -> float:
    """How far buccal of the line of occlusion neighbouring teeth touch, mm."""
    if arch == "upper":
        return (1.2, 1.2, 0.8, 0.0, 0.0, 0.0, 0.0)[place - 1]
    return (-0.9, -0.9, -1.0, -1.2, -1.8, -2.3, -2.3)[place - 1]


def _pose(
    shape: Crown,
    arch: str,
    place: int,
    s: float,
    span: float,
    occlusion: Occlusion,
    draw: FloatArray,
) -> PlacedTooth:
    point, normal = (a[0] for a in line_of_occlusion(np.array([s])))
    up = np.array([SPHERE_CENTRE_X_MM - point[0], -point[1], 0.0])
    up[2] = np.sqrt(OCCLUSAL_SPHERE_MM**2 - up[0] ** 2 - up[1] ** 2)
    up /= OCCLUSAL_SPHERE_MM
    z = up if arch == "lower" else -up
    w = np.array([*normal, 0.0])
    w -= (w @ z) * z
    w /= np.linalg.norm(w)
    # Mesial: towards the midline, that is against the sign of s.
    u = np.array([-normal[1], normal[0], 0.0]) * (-1.0 if s > 0 else 1.0)
    u -= (u @ z) * z + (u @ w) * w
    u /= np.linalg.norm(u)
    # Torque (w, z), tip (u, z), rotation (u, w), buccal shift and height of the frame's origin.
    torque, tip, turn, shift, height = _setting(arch, place, occlusion)
    axes = np.stack([u, w, z])
    spread = 0.5 if place >= 4 else 1.0
    for i, j, angle in (
        (1, 2, torque + 1.2 * spread * draw[1]),
        (0, 2, tip + 1.0 * spread * draw[2]),
        (0, 1, turn + 1.8 * spread * draw[3]),
    ):
        c, d = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        axes[[i, j]] = np.stack([c * axes[i] - d * axes[j], d * axes[i] + c * axes[j]])
    base = np.array([*point, float(occlusal_level(point[0], point[1]))])
    # Overbite and overjet are measured level and upright, so the shifts are too.
    level = np.array([*normal, 0.0])
    upright = np.array([0.0, 0.0, 1.0 if arch == "lower" else -1.0])
    origin = base + (shift + 0.08 * draw[4]) * level + height * upright
    return PlacedTooth(shape, s, 0.5 * span, origin, axes)


def _setting(
    arch: str, place: int, occlusion: Occlusion
) -> tuple[float, float, float, float, float]:
    """Torque, tip and rotation (degrees), buccal shift and height (mm) of one tooth (ours)."""
    jet, bite = occlusion.overjet_mm, occlusion.overbite_mm
    if arch == "upper":
        return {
            1: (6.0, -3.0, 0.0, jet + 0.4, bite - 1.0),
            2: (5.0, -5.0, 3.0, jet + 0.05, bite - 1.5),
            3: (-2.0, -5.0, 6.0, jet + 1.0, bite - 0.7),
        }.get(place, (0.0, 0.0, 0.0, 0.0, 0.0))
    return {
        1: (14.0, 0.0, 0.0, 0.0, 1.0),
        2: (13.0, 0.0, 1.0, 0.0, 1.0),
        3: (8.0, -3.0, 5.0, 0.25, 1.35),
    }.get(place, (0.0, 0.0, 0.0, 0.0, 0.0))


class ArchSolid:
    """Teeth, contacts and gingiva of one arch as one solid, in sections square to the arch.

    A point is given by section ``s``, buccal distance ``w`` from the line of occlusion and height
    ``h`` towards the other arch (mm).
    """

    def __init__(self, arch: str, teeth: Sequence[PlacedTooth]) -> None:
        self.arch, self.teeth = arch, list(teeth)
        self.sign = 1.0 if arch == "lower" else -1.0
        knots: list[list[float]] = []
        margins: list[tuple[float, float]] = []
        for tooth in self.teeth:
            shape, place = tooth.crown, tooth.crown.number % 10
            neck = shape.top_mm - shape.length_mm
            core_z = shape.top_mm - 0.8 * shape.length_mm
            b, c = (
                float(np.interp(core_z, shape.z_mm, x)) for x in (shape.buccal_mm, shape.lingual_mm)
            )
            bn, cn = (
                float(np.interp(neck, shape.z_mm, x)) for x in (shape.buccal_mm, shape.lingual_mm)
            )
            core = self.to_section(tooth, 0.5 * (b + c), core_z)
            gum = self.to_section(tooth, 0.5 * (bn + cn), neck)
            web = self.to_section(tooth, 0.0, -2.0 if place <= 3 else -0.9)
            knots.append(
                [*core, gum[0], 0.5 * (bn - cn), web[1], 1.0 if place <= 3 else 2.3, web[0]]
            )
            margins.append((tooth.s_mm, gum[1]))
        at = [t.s_mm for t in self.teeth]
        first, last = (
            t.s_mm + k * (t.half_span_mm + PAD_MM)
            for t, k in zip((self.teeth[0], self.teeth[-1]), (-1, 1))
        )
        self.s_range = (first, last)
        ends = []
        for row, level in ((knots[0], margins[0][1]), (knots[-1], margins[-1][1])):
            end = list(row)
            end[1], end[4] = level - 2.5, level - 3.0
            end[3] = 0.8 * row[3]
            ends.append(end)
        distal = [
            t.s_mm + k * (t.half_span_mm + 0.8)
            for t, k in zip((self.teeth[0], self.teeth[-1]), (-1, 1))
        ]
        behind = []
        for row, end in zip((knots[0], knots[-1]), ends):
            behind.append([0.6 * a + 0.4 * b for a, b in zip(row, end)])
            behind[-1][4] = end[4]
        all_s = np.array([first, distal[0], *at, distal[1], last])
        self._knots = PchipInterpolator(
            all_s, np.array([ends[0], behind[0], *knots, behind[1], ends[1]])
        )
        web_s, web_h = [first], [ends[0][4]]
        for k, (tooth, row) in enumerate(zip(self.teeth, knots)):
            if k == 0:
                web_s.append(tooth.s_mm - tooth.half_span_mm - 0.3)
                web_h.append(ends[0][4])
            web_s.append(tooth.s_mm)
            web_h.append(row[4] - 1.6)
            if k + 1 < len(knots):
                web_s.append(tooth.s_mm + tooth.half_span_mm)
                web_h.append(0.5 * (row[4] + knots[k + 1][4]))
        web_s += [self.teeth[-1].s_mm + self.teeth[-1].half_span_mm + 0.3, last]
        web_h += [ends[1][4], ends[1][4]]
        self._web = PchipInterpolator(np.array(web_s), np.array(web_h))
        edge_s, edge_h = [first], [margins[0][1] + 0.2]
        for k, tooth in enumerate(self.teeth):
            papilla = 1.6
            if k == 0:
                edge_s.append(tooth.s_mm - tooth.half_span_mm - 0.6)
                edge_h.append(margins[0][1] + 0.7)
            edge_s.append(tooth.s_mm)
            edge_h.append(margins[k][1])
            following = margins[k + 1][1] if k + 1 < len(self.teeth) else margins[k][1]
            edge_s.append(
                tooth.s_mm + tooth.half_span_mm + (0.6 if k + 1 == len(self.teeth) else 0)
            )
            edge_h.append(0.5 * (margins[k][1] + following) + papilla)
        edge_h[-1] = margins[-1][1] + 0.7
        self._shelf = PchipInterpolator(
            np.array([first, *at, last]),
            gaussian_filter1d([m[1] for m in (margins[0], *margins, margins[-1])], 1.2),
        )
        edge_s.append(last)
        edge_h.append(margins[-1][1] + 0.2)
        self._margin = PchipInterpolator(np.array(edge_s), np.array(edge_h))
        self.bottom_h = min(m[1] for m in margins) - BASE_MM

    def to_section(self, tooth: PlacedTooth, w: float, z: float) -> tuple[float, float]:
        """(w, h) of a point of a crown in the section through the tooth's middle."""
        p = tooth.to_space(0.0, w, z)
        point, normal = line_of_occlusion(np.array([tooth.s_mm]))
        return float((p[:2] - point[0]) @ normal[0]), self.sign * float(p[2])

    def section(self, s: FloatArray) -> dict[str, FloatArray]:
        """Slowly varying quantities of the sections at ``s``."""
        names = ("core_w", "core_h", "gum_w", "gum_half", "web_h", "web_half", "web_w")
        out = dict(zip(names, self._knots(s).T))
        out["web_h"] = self._web(s)
        out["margin_h"] = self._margin(s)
        out["shelf_h"] = self._shelf(s) - GUM_SHOWN_MM
        return out

    def gum_half(self, section: dict[str, FloatArray], depth: FloatArray) -> FloatArray:
        """Half width of the ridge at a depth below the gingival margin, mm."""
        below = np.maximum(depth, 0.0)
        return section["gum_half"] + 0.15 + 1.0 * (1 - np.exp(-below / 1.6)) + 0.16 * below

    def to_space(self, s: FloatArray, w: FloatArray, h: FloatArray) -> FloatArray:
        """Points in space, shape (..., 3), mm."""
        point, normal = line_of_occlusion(s)
        xy = point + w[..., None] * normal
        return np.concatenate([xy, self.sign * h[..., None]], axis=-1)

    def gum(
        self,
        s: FloatArray,
        w: FloatArray,
        h: FloatArray,
        section: dict[str, FloatArray] | None = None,
    ) -> FloatArray:
        """Signed measure of the gingiva and ridge at section points of one shape (n,)."""
        k = self.section(s) if section is None else section
        depth = k["margin_h"] - h
        return smooth_max(np.abs(w - k["gum_w"]) - self.gum_half(k, depth), -depth, 1.2)

    def solid(self, s: FloatArray, w: FloatArray, h: FloatArray) -> FloatArray:
        """Signed measure of the whole arch at section points of one shape (n,)."""
        k = self.section(s)
        gum = self.gum(s, w, h, k)
        lean = np.clip((h - k["core_h"]) / (k["web_h"] - k["core_h"]), 0.0, 1.0)
        web_w = k["core_w"] + lean * (k["web_w"] - k["core_w"])
        web = smooth_max(np.abs(w - web_w) - k["web_half"], h - k["web_h"], 1.0)
        value = smooth_min(gum, web, 0.5)
        points = self.to_space(s, w, h)
        for tooth in self.teeth:
            near = np.flatnonzero(np.abs(s - tooth.s_mm) < tooth.half_span_mm + 2.5)
            if len(near):
                value[near] = smooth_min(value[near], tooth.solid(points[near]), 0.3)
        return value
