"""Colours of every picture: two axis colours, neutrals for light and dark, one signed map.

Notes
-----
*Sources*. Axis and component colours: Okabe M, Ito K (2008), Color universal design, as printed in
Wong B, Points of view: color blindness, Nature Methods 2011;8:441 (from memory; safe for the common
colour-vision deficiencies). Signed map: "bam" of Crameri F, Scientific colour maps, Zenodo 1243862,
MIT licence; Crameri F, Shephard GE, Heron PJ, Nature Communications 2020;11:5444: 33 of its 256
colours, taken evenly, linear between them (within 0.8/255 of the original), turned round so that
the magenta end is positive ("high"). No colour is ever the only sign: axes also differ by line
style and label, signed values by a printed scale.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Theme = Literal["light", "dark"]
THEMES: tuple[Theme, ...] = ("light", "dark")
LineStyle = Literal["solid", "dashed", "dotted"]

_BAM = (
    "65024b 77175d 88276e 97357e a5438c b25099 bd5ea5 c86eb0 d17fbc d991c6 e0a3d0 "
    "e7b5da ecc6e2 f1d5e9 f5e2ef f6ebf1 f6f1f0 f3f3ed eef2e4 e5efd5 d8e8c2 c8deab "
    "b5d292 a1c47a 8db565 7aa754 699946 5a8d3a 4c812f 3e7525 306819 205a0d 0d4c00"
)
NICE_LIMITS_UM = (25.0, 50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 500.0, 750.0, 1000.0, 1500.0)
"""Ends offered for the scale of the signed map, micrometres (ours)."""

LINE_STYLE: dict[str, LineStyle] = {
    "true": "solid",
    "arbitrary": "dashed",
    "tolerance": "dotted",
    "contact": "dotted",
}
"""Line style by role; a second sign beside the colour."""
AXIS_LABEL = {"true": "true axis", "arbitrary": "arbitrary axis"}
"""What is written at each axis."""
STOP_LABEL = {"equal_angle": "equal angle", "pin": "incisal pin", "contact": "first contact"}
"""What is written for each stop."""
STOP_STYLE: dict[str, LineStyle] = {"equal_angle": "dotted", "pin": "solid", "contact": "dashed"}
"""Line style by stop, the same in every chart."""
STOP_MARKER = {"equal_angle": "o", "pin": "s", "contact": "^"}
"""Marker by stop, the same in every chart."""


@dataclass(frozen=True)
class Colours:
    """Colours of one theme as ``#rrggbb``, here the light one; the field name is the role.

    Within a theme every role has its own value, so that a drawn SVG can have its colours replaced
    by style-sheet variables of the same names.
    """

    page: str = "#ffffff"
    panel: str = "#f4f1ea"
    ink: str = "#23262b"
    quiet: str = "#5d6169"
    faint: str = "#cfccc4"
    true: str = "#0072b2"
    arbitrary: str = "#d55e00"
    tolerance: str = "#6b5300"
    within: str = "#e2f0ea"
    beyond: str = "#f6e5e9"
    anteroposterior: str = "#3f4147"
    transverse: str = "#9c9ea3"
    vertical: str = "#f0e442"
    upper: str = "#e6dcc8"
    lower: str = "#dccfb6"
    ghost: str = "#d55e01"
    plane: str = "#8fa5b3"
    contact: str = "#1e1e1c"
    high: str = "#97357e"
    open: str = "#3e7525"
    halo: str = "#fffffe"


LIGHT = Colours()
DARK = Colours(
    page="#15181c",
    panel="#1f242a",
    ink="#eceae4",
    quiet="#a9adb3",
    faint="#454b53",
    true="#56b4e9",
    arbitrary="#f08a3c",
    tolerance="#e3c75a",
    within="#1d332b",
    beyond="#3a2230",
    anteroposterior="#d9dade",
    transverse="#85888f",
    vertical="#f0e443",
    upper="#d3c9b6",
    lower="#c6baa3",
    ghost="#f08a3d",
    plane="#5f7482",
    contact="#f5f4f0",
    high="#d991c6",
    open="#8db565",
    halo="#15181d",
)


def colours(theme: Theme) -> Colours:
    """Return the colours of a theme."""
    return LIGHT if theme == "light" else DARK


def css_variables(theme: Theme) -> str:
    """Return the colours of a theme as style-sheet declarations, ``--true: #0072b2; ...``."""
    values = vars(colours(theme))
    return " ".join(f"--{role}: {value};" for role, value in values.items())


def looked_up(table: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows of a table of colours, shape (n, 3), at places between them, by linear interpolation."""
    return np.stack([np.interp(at, np.arange(len(table)), c) for c in table.T], axis=-1)


def signed_table(n: int = 256) -> NDArray[np.float64]:
    """Colours of the signed map from most open (first) to most high (last), shape (n, 3), 0 to 1.

    Notes
    -----
    *Guarantee*: for odd ``n`` the middle row is the map's neutral colour.
    """
    knots = [[int(h[i : i + 2], 16) / 255.0 for i in (0, 2, 4)] for h in _BAM.split()][::-1]
    table = np.array(knots)
    return looked_up(table, np.linspace(0.0, len(table) - 1.0, n))


def signed_colours(value_um: ArrayLike, limit_um: float) -> NDArray[np.float64]:
    """Colour of signed amounts, shape (n, 3), 0 to 1; beyond the limit the end colour.

    Parameters
    ----------
    value_um : array_like, shape (n,), micrometres
        High positive, open negative.
    limit_um : float
        End of the scale, above 0; the scale is symmetric, so 0 is always the neutral colour.
    """
    share = np.clip(np.asarray(value_um, dtype=np.float64) / limit_um, -1.0, 1.0)
    return looked_up(signed_table(257), (share + 1.0) * 128.0)


def clearance_colours(value_mm: ArrayLike, limit_mm: float, touch_mm: float) -> NDArray[np.float64]:
    """Colour of clearances, shape (n, 3), 0 to 1: halves of the signed map.

    Parameters
    ----------
    value_mm : array_like, shape (n,), mm
        Infinite where farther than was looked for.
    limit_mm : float
        Clearance that gets the map's neutral colour; touching gets the darkest green.
    touch_mm : float
        Deeper than this through the other cast is magenta, darker with the depth.
    """
    value = np.nan_to_num(np.asarray(value_mm, dtype=np.float64), posinf=limit_mm)
    apart = np.clip(value / limit_mm, 0.0, 1.0) * 128.0
    inside = 196.0 + np.clip(-value / limit_mm, 0.0, 1.0) * 60.0
    return looked_up(signed_table(257), np.where(value < -touch_mm, inside, apart))


def scale_limit_um(value_um: ArrayLike) -> float:
    """End of the signed scale for some amounts: the smallest round number that holds 99 % of them.

    Notes
    -----
    *Guarantee*: above 0, also for no amounts at all.
    """
    size = np.abs(np.asarray(value_um, dtype=np.float64).ravel())
    size = size[np.isfinite(size)]
    top = float(np.quantile(size, 0.99)) if len(size) else 0.0
    for limit in NICE_LIMITS_UM:
        if top <= limit:
            return limit
    return float(np.ceil(top / 1000.0) * 1000.0)
