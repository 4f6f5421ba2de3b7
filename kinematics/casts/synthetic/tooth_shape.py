"""Crown shapes: one tooth as a smooth solid, from average tooth dimensions and cusp positions."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator

from kinematics.base.arrays import FloatArray

TEETH: dict[str, Any] = tomllib.loads(Path(__file__).with_name("teeth.toml").read_text("utf-8"))
"""Dimensions, outlines, cusps and setting of the teeth; the file names each one's source."""
ROOT_SHOWN = 1.12
"""How far a crown reaches down into the gingiva, as a share of the length shown (ours)."""
SHOWN = 0.84
"""Share of the crown's length above the gingiva on the cast (ours)."""
SHOWN_CANINE = 0.77
"""The same for a canine, whose margin would lie far below its neighbours' (ours)."""


@dataclass(frozen=True)
class Cusp:
    """One cusp: place in the tooth's frame, height of the tip, slopes inwards and outwards."""

    u_mm: float
    w_mm: float
    height_mm: float
    slope: float = 0.62
    outer_slope: float = 1.5
    round_mm: float = 0.55


@dataclass(frozen=True, eq=False)
class Crown:
    """A crown in its own frame: u mesial, w buccal, z towards the other arch (mm).

    Attributes
    ----------
    number : int
        ISO 3950.
    length_mm, width_mm : float
        Shown crown length (gingiva to tip) and mesiodistal width.
    top_mm : float
        Height of the highest tip.
    z_mm, half_u_mm, buccal_mm, lingual_mm : ndarray, shape (k,)
        Outline by height: half mesiodistal width, buccal and lingual limits.
    exponent : float
        Of the outline's superellipse; 2 is an ellipse, larger is squarer.
    cusps : sequence of Cusp
        Empty for an incisor.
    blend_mm : float
        Radius with which table and side meet.
    ridges : sequence of (u, w_from, w_to, height)
        Marginal ridges.
    corner_mm : (mesial, distal)
        How far an incisor's edge is rounded off at its corners.
    """

    number: int
    length_mm: float
    width_mm: float
    top_mm: float
    z_mm: FloatArray
    half_u_mm: FloatArray
    buccal_mm: FloatArray
    lingual_mm: FloatArray
    exponent: float
    cusps: Sequence[Cusp]
    blend_mm: float
    ridges: Sequence[tuple[float, float, float, float]] = ()
    corner_mm: tuple[float, ...] = (0.0, 0.0)

    def table(self, u: FloatArray, w: FloatArray) -> FloatArray:
        """Height of the occlusal table or incisal edge over (u, w), mm."""
        if not self.cusps:
            x = u / (0.5 * self.width_mm)
            corner = np.where(u > 0, self.corner_mm[0], self.corner_mm[1])
            return self.top_mm - corner * x**2 * x**2 - 0.08 * x**2
        height: FloatArray | None = None
        for cusp in self.cusps:
            du, dw = u - cusp.u_mm, w - cusp.w_mm
            outward = 1.0 if cusp.w_mm > self.middle_mm else -1.0
            gate = 0.5 + 0.5 * np.tanh(outward * dw / 0.5)
            slope = cusp.slope + (cusp.outer_slope - cusp.slope) * gate
            # A triangular ridge runs from the tip to the fossa: less steep along w than along u.
            d = np.sqrt((1.08 * du) ** 2 + dw**2 + cusp.round_mm**2) - cusp.round_mm
            height = smooth_max(height, cusp.height_mm - slope * d, 0.22)
        for at, w_from, w_to, top in self.ridges:
            beyond = np.maximum(np.maximum(w_from - w, w - w_to), 0.0)
            d = np.sqrt((u - at) ** 2 + beyond**2 + 0.3**2) - 0.3
            height = smooth_max(height, top - 0.75 * d, 0.22)
        return np.zeros_like(u) if height is None else height

    @property
    def middle_mm(self) -> float:
        """Middle of the widest part, buccolingually."""
        k = int(np.argmax(self.buccal_mm - self.lingual_mm))
        return 0.5 * float(self.buccal_mm[k] + self.lingual_mm[k])

    def solid(self, u: FloatArray, w: FloatArray, z: FloatArray) -> FloatArray:
        """Signed measure of the crown: negative inside, about mm near the surface."""
        a = np.interp(z, self.z_mm, self.half_u_mm)
        b = np.interp(z, self.z_mm, self.buccal_mm)
        c = np.interp(z, self.z_mm, self.lingual_mm)
        half, middle = 0.5 * (b - c), 0.5 * (b + c)
        n = self.exponent
        radius = (np.abs(u / a) ** n + np.abs((w - middle) / half) ** n) ** (1.0 / n)
        side = (radius - 1.0) * np.minimum(a, half)
        root = self.top_mm - ROOT_SHOWN * self.length_mm - z
        body = smooth_max(side, z - self.table(u, w), self.blend_mm)
        return smooth_max(body, root, 0.5)


def smooth_max(a: FloatArray | None, b: FloatArray, radius_mm: float) -> FloatArray:
    """Maximum with a rounded transition where the two are within ``radius_mm``."""
    if a is None:
        return b
    h = np.maximum(radius_mm - np.abs(a - b), 0.0) / radius_mm
    return np.maximum(a, b) + 0.25 * radius_mm * h * h


def smooth_min(a: FloatArray, b: FloatArray, radius_mm: float) -> FloatArray:
    """Minimum with a rounded transition where the two are within ``radius_mm``."""
    return -smooth_max(-a, -b, radius_mm)


def crown(number: int, *, size: float = 1.0) -> Crown:
    """Build the crown of a permanent tooth.

    Parameters
    ----------
    number : int
        ISO 3950, 11 to 47, second digit 1 to 7.
    size : float
        Factor on every dimension.

    Returns
    -------
    Crown
        Frame: u mesial; w buccal, 0 on the line of occlusion (posterior) or the edge (anterior);
        z towards the other arch, 0 on the occlusal surface (posterior) or the edge (anterior).

    Notes
    -----
    Source: dimensions as ``teeth.toml`` names them; the shape between them is ours.
    """
    arch = "upper" if number < 30 else "lower"
    place = number % 10
    length, md, bl, cervix = (size * x for x in TEETH["dimensions_mm"][arch][f"{place}"])
    shown = (SHOWN_CANINE if place == 3 else SHOWN) * length
    build = anterior_crown if place <= 3 else posterior_crown
    return build(number, shown, md, bl, cervix / md)


def anterior_crown(number: int, shown: float, md: float, bl: float, neck: float) -> Crown:
    """An incisor or canine."""
    place, form = number % 10, TEETH["anterior"]["upper" if number < 30 else "lower"]
    q, labial, lingual = TEETH["anterior"]["height"], form["buccal"], form["lingual"]
    fine = np.linspace(q[0], q[-1], 160)
    cusps: list[Cusp] = []
    if place == 3:
        labial = [x * 1.12 + 0.02 * (1 + k / 9) for k, x in enumerate(labial)]
        lingual = [x * 0.98 - 0.05 for x in lingual]
        cusps = [Cusp(0.04 * md, 0.0, 0.0, slope=0.5, outer_slope=0.5, round_mm=0.7)]
    half_u = [0.86 * neck, neck, 0.5 * (1 + neck), 0.93, 0.985, 1.0, 0.985, 0.96, 0.92]
    return Crown(
        number=number,
        length_mm=shown,
        width_mm=md,
        top_mm=0.0,
        z_mm=fine * shown,
        half_u_mm=PchipInterpolator(q, half_u)(fine) * 0.5 * md * 1.015,
        buccal_mm=PchipInterpolator(q, labial)(fine) * bl,
        lingual_mm=PchipInterpolator(q, lingual)(fine) * bl,
        exponent=2.9 if place < 3 else 2.5,
        cusps=cusps,
        corner_mm=tuple(form["corner_mm"]),
        blend_mm=0.45,
    )


def posterior_crown(number: int, shown: float, md: float, bl: float, neck: float) -> Crown:
    """A premolar or molar."""
    arch, place = "upper" if number < 30 else "lower", number % 10
    q, form = TEETH["posterior"]["height"], TEETH["posterior"][arch]
    outer, inner = (share * bl for share in form["shares"])
    fine = np.linspace(q[0], q[-1], 160)
    half_u = [0.9 * neck, neck, 0.35 * neck + 0.62, 0.97, 1.0, 1.0, 0.95]
    scale = md / TEETH["dimensions_mm"][arch][f"{place}"][1]
    cusps = []
    for u, w, h in TEETH["cusps"][arch][f"{place}"]:
        outer_slope = 1.7 if (w > 0) == (arch == "upper") else 1.4
        cusps.append(Cusp(u * 0.5 * md, w * scale, h, 0.66, outer_slope, round_mm=0.5))
    low, high = min(c.w_mm for c in cusps) + 0.7, max(c.w_mm for c in cusps) - 0.7
    at = 0.5 * md - 1.0
    ridge = -0.3 if number in (34, 44) else -0.05 if place >= 6 else -0.1
    return Crown(
        number=number,
        length_mm=shown,
        width_mm=md,
        top_mm=max(c.height_mm for c in cusps),
        z_mm=1.0 + fine * shown,
        half_u_mm=PchipInterpolator(q, half_u)(fine) * 0.5 * md * 1.03,
        buccal_mm=PchipInterpolator(q, form["buccal"])(fine) * outer,
        lingual_mm=PchipInterpolator(q, form["lingual"])(fine) * inner,
        exponent=3.2 if place >= 6 else 2.8,
        cusps=cusps,
        blend_mm=0.9,
        ridges=[(at, low, high, ridge), (-at, low, high, ridge - 0.1)],
    )
