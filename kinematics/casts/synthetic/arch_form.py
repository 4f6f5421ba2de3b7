"""Arch form: where each tooth of a synthetic arch stands, and the gingiva and base around it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from kinematics.base.arrays import FloatArray
from kinematics.casts.synthetic.tooth_shape import TEETH, Crown, crown, smooth_max, smooth_min

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
PAPILLA_MM = 1.6
"""Height of the papillae between teeth above the gingival margin (ours)."""
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


def alternating(at: FloatArray, between: FloatArray) -> list[float]:
    """The values of n places with the n - 1 between them."""
    return [*np.insert(at, np.arange(1, len(at)), between)]


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
            offset = TEETH["contact_offset_mm"][arch][place - 1]
            width = shape.width_mm
            span = width
            for _ in range(4):  # the contact line is longer or shorter than the catenary
                middle = s + 0.5 * span
                curvature = CATENARY_MM / (CATENARY_MM**2 + middle**2)
                span = width / (1.0 + curvature * offset)
            out.append(
                posed_tooth(shape, arch, place, side * (s + 0.5 * span), span, occlusion, draw)
            )
            s += span
    return sorted(out, key=lambda t: t.s_mm)


def posed_tooth(
    shape: Crown,
    arch: str,
    place: int,
    s: float,
    span: float,
    occlusion: Occlusion,
    draw: FloatArray,
) -> PlacedTooth:
    """Place and turn a crown at arc length ``s``."""
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
    torque, tip, turn, shift, height = tooth_setting(arch, place, occlusion)
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


def tooth_setting(arch: str, place: int, occlusion: Occlusion) -> FloatArray:
    """Torque, tip and rotation (degrees), buccal shift and height (mm) of one tooth, shape (5,)."""
    setting = TEETH["setting"][arch].get(f"{place}")
    if setting is None:
        return np.zeros(5)
    beyond = (occlusion.overjet_mm, occlusion.overbite_mm) if arch == "upper" else (0.0, 0.0)
    return np.array(setting) + np.array([0.0, 0.0, 0.0, *beyond])


class ArchSolid:
    """Teeth, contacts and gingiva of one arch as one solid, in sections square to the arch.

    A point is given by section ``s``, buccal distance ``w`` from the line of occlusion and height
    ``h`` towards the other arch (mm).
    """

    def __init__(self, arch: str, teeth: Sequence[PlacedTooth]) -> None:
        self.arch, self.teeth = arch, list(teeth)
        self.sign = 1.0 if arch == "lower" else -1.0
        found = [self.knot(tooth) for tooth in self.teeth]
        knots, margins = np.array([k for k, _ in found]), [m for _, m in found]
        at, half = (np.array(x) for x in zip(*((t.s_mm, t.half_span_mm) for t in self.teeth)))
        first, last = at[0] - (half[0] + PAD_MM), at[-1] + (half[-1] + PAD_MM)
        self.s_range = (float(first), float(last))
        outermost, level = knots[[0, -1]], np.array([margins[0], margins[-1]])
        ends = outermost.copy()
        ends[:, 1], ends[:, 3], ends[:, 4] = level - 2.5, 0.8 * outermost[:, 3], level - 3.0
        behind = 0.6 * outermost + 0.4 * ends
        behind[:, 4] = ends[:, 4]
        distal = at[0] - (half[0] + 0.8), at[-1] + (half[-1] + 0.8)
        self._knots = PchipInterpolator(
            [first, distal[0], *at, distal[1], last],
            np.vstack([ends[0], behind[0], knots, behind[1], ends[1]]),
        )
        webs, gum, middles = knots[:, 4], np.array(margins), alternating(at, (at + half)[:-1])
        low, high = at[0] - half[0], at[-1] + half[-1]
        left, right = [ends[0, 4]] * 2, [ends[1, 4]] * 2
        saddles = alternating(webs - 1.6, 0.5 * (webs[:-1] + webs[1:]))
        self._web = PchipInterpolator(
            [first, low - 0.3, *middles, high + 0.3, last], [*left, *saddles, *right]
        )
        scallops = alternating(gum, 0.5 * (gum[:-1] + gum[1:]) + PAPILLA_MM)
        self._margin = PchipInterpolator(
            [first, low - 0.6, *middles, high + 0.6, last],
            [gum[0] + 0.2, gum[0] + 0.7, *scallops, gum[-1] + 0.7, gum[-1] + 0.2],
        )
        shelf = gaussian_filter1d([gum[0], *gum, gum[-1]], 1.2)
        self._shelf = PchipInterpolator([first, *at, last], shelf)
        self.bottom_h = min(margins) - BASE_MM

    def knot(self, tooth: PlacedTooth) -> tuple[list[float], float]:
        """Core, gingiva and web of the section through a tooth, and the height of its margin."""
        shape, front = tooth.crown, tooth.crown.number % 10 <= 3
        middles = []
        for z in (shape.top_mm - 0.8 * shape.length_mm, shape.top_mm - shape.length_mm):
            b, c = (np.interp(z, shape.z_mm, x) for x in (shape.buccal_mm, shape.lingual_mm))
            middles.append(self.to_section(tooth, 0.5 * float(b + c), z))
        core, gum = middles
        web = self.to_section(tooth, 0.0, -2.0 if front else -0.9)
        half = 0.5 * float(b - c)
        return [*core, gum[0], half, web[1], 1.0 if front else 2.3, web[0]], gum[1]

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
