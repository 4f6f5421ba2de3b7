"""Hypothesis strategies shared by the tests: axes, points and motions of anatomical size (mm)."""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis

HALF_WIDTH = np.array([0.0, 55.0, 0.0])
"""Half the distance of the axis points, mm."""


def numbers(low: float, high: float) -> st.SearchStrategy[float]:
    """Finite floats in a range."""
    return st.floats(low, high, allow_nan=False, allow_infinity=False, width=64)


def points(size: float = 120.0) -> st.SearchStrategy[np.ndarray]:
    """Points in a cube about the origin, shape (3,), mm."""
    return st.tuples(*[numbers(-size, size)] * 3).map(np.array)


@st.composite
def axes(draw: st.DrawFn, scatter: float = 10.0) -> HingeAxis:
    """Axes near the transverse one through the origin, mm."""
    left, right = draw(points(scatter)), draw(points(scatter))
    return HingeAxis(left + HALF_WIDTH, right - HALF_WIDTH)


@st.composite
def motions(draw: st.DrawFn, size: float = 200.0) -> RigidTransform:
    """Any rigid motion."""
    rotvec = draw(st.tuples(*[numbers(-3.0, 3.0)] * 3))
    return RigidTransform.from_components(draw(points(size)), Rotation.from_rotvec(rotvec))
