"""Rigid motions inside kernels, shape (4, 3): three rows of the rotation, then the shift in mm."""

from __future__ import annotations

import math

from kinematics.base.kernel import kernel


@kernel
def turn_about(line, opening, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the opening by an angle (radian) about a left and a right point, (2, 3)."""
    ux, uy, uz = line[0, 0] - line[1, 0], line[0, 1] - line[1, 1], line[0, 2] - line[1, 2]
    length = math.sqrt(ux * ux + uy * uy + uz * uz)
    ux, uy, uz = ux / length, uy / length, uz / length
    half = math.sin(0.5 * opening)
    s, v = math.sin(opening), 2.0 * half * half  # 1 - cos, without cancellation
    out[0, 0], out[1, 1], out[2, 2] = (
        1.0 - v * (uy * uy + uz * uz),
        1.0 - v * (ux * ux + uz * uz),
        1.0 - v * (ux * ux + uy * uy),
    )
    out[0, 1], out[1, 0] = v * ux * uy - s * uz, v * ux * uy + s * uz
    out[0, 2], out[2, 0] = v * ux * uz + s * uy, v * ux * uz - s * uy
    out[1, 2], out[2, 1] = v * uy * uz - s * ux, v * uy * uz + s * ux
    for i in range(3):
        out[3, i] = 0.5 * (line[0, i] + line[1, i])
        for k in range(3):
            out[3, i] -= out[i, k] * 0.5 * (line[0, k] + line[1, k])


@kernel
def compose(second, first, out):  # type: ignore[no-untyped-def]
    """Fill ``out`` with the motion ``second`` after the motion ``first``."""
    for i in range(3):
        shift = second[3, i]
        for k in range(3):
            total = 0.0
            for m in range(3):
                total += second[i, m] * first[m, k]
            out[i, k] = total
            shift += second[i, k] * first[3, k]
        out[3, i] = shift


@kernel
def move(motion, p, out):  # type: ignore[no-untyped-def]
    """Fill ``out``, shape (3,), with point p moved."""
    for i in range(3):
        total = motion[3, i]
        for k in range(3):
            total += motion[i, k] * p[k]
        out[i] = total
