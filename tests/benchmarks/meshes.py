"""Casts of any size for speed measurements: a bumpy horseshoe."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tests.makers.casts import Mesh


def bumpy_arch(triangles: int, *, seed: int = 7, clearance_mm: float = 0.15) -> tuple[Mesh, Mesh]:
    """Upper and lower horseshoe sheets, bumpy like cusps, apart by about 3 mm at the front.

    The lower's bumps are the upper's plus a smooth random departure, as teeth that almost fit.
    Frame: x anterior, y left, z superior; a hinge axis near the origin suits it.
    """
    across = max(4, round(np.sqrt(triangles / 2 / 9)))
    along = max(8, triangles // (2 * across))
    s = np.linspace(-1.0, 1.0, along + 1)[:, None]
    r = np.linspace(-6.0, 6.0, across + 1)[None, :]
    turn = s * 0.5 * np.pi * 0.85
    radius = 26.0 + r
    x = 62.0 + 38.0 * np.cos(turn) * radius / 26.0 - 15.0
    y = radius * np.sin(turn) * 1.05
    length = s * 60.0
    rng = np.random.default_rng(seed)

    def bumps() -> NDArray[np.float64]:
        cusp = 1.2 * np.cos(2 * np.pi * length / 7.0 + 0.3) * np.cos(np.pi * r / 5.0)
        fissure = 0.4 * np.cos(2 * np.pi * length / 2.9) * np.cos(2 * np.pi * r / 3.1)
        return cusp + fissure - 0.03 * r**2

    def rough(scale: float) -> NDArray[np.float64]:
        z = np.zeros((along + 1, across + 1))
        for _ in range(12):
            k, m, p = rng.uniform(0.2, 1.2), rng.uniform(-0.8, 0.8), rng.uniform(0, 2 * np.pi)
            z += scale * np.cos(k * length + m * r + p) / 12
        return z

    base = bumps() + rough(1.0)
    upper_z = base - 30.0
    lower_z = base - 30.0 - clearance_mm - 1.0 - rough(1.2)
    opening = np.radians(2.5)
    i = np.arange(along)[:, None] * (across + 1) + np.arange(across)[None, :]
    a, b, c, d = i, i + across + 1, i + across + 2, i + 1
    faces = np.stack([np.stack([a, b, c], -1), np.stack([a, c, d], -1)], 2).reshape(-1, 3)
    x = np.broadcast_to(x, base.shape)
    y = np.broadcast_to(y, base.shape)
    upper = np.stack([x, y, upper_z], -1).reshape(-1, 3)
    lower = np.stack([x, y, lower_z], -1).reshape(-1, 3)
    co, si = np.cos(opening), np.sin(opening)
    lower = np.stack(
        [co * lower[:, 0] + si * lower[:, 2], lower[:, 1], co * lower[:, 2] - si * lower[:, 0]], -1
    )
    f = faces.astype(np.int32)
    return (upper, f[:, ::-1].copy()), (lower, f)
