"""The point of a first contact lies on both casts, whether they meet or touch at the start."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.contact.first_contact import first_contact, prepare
from tests.contact.test_first_contact import END_DEG, Mesh, random_case


def off_surface(mesh: Mesh, point: np.ndarray) -> float:
    """Distance of a point from the nearest triangle (trimesh), mm."""
    triangles = mesh[0][mesh[1]]
    points = np.repeat(point[None], len(triangles), axis=0)
    with np.errstate(invalid="ignore"):  # triangles shrunk to a line or point
        nearest = trimesh.triangles.closest_point(triangles, points)
    return float(np.nanmin(np.linalg.norm(nearest - point, axis=1)))


def test_the_point_of_a_small_pair_lies_on_both_whether_they_meet_or_touch_at_the_start() -> None:
    seen = {"contact": 0, "already_touching": 0, "none_in_range": 0}
    for seed in range(300):
        upper, lower, axis, _ = random_case(seed)
        ours = first_contact(prepare(*upper, *lower), axis, max_closing_deg=END_DEG)
        seen[ours.status] += 1
        if ours.status == "none_in_range":
            continue
        if ours.status == "contact":
            lower = (closing_motion(axis, ours.closing_deg).apply(lower[0]), lower[1])
        assert off_surface(upper, ours.point_mm) < 1e-6, f"seed {seed}"
        assert off_surface(lower, ours.point_mm) < 1e-6, f"seed {seed}"
    assert min(seen.values()) > 20


@pytest.mark.parametrize("plane", [[0, 1, 2], [0, 2, 1]])
def test_flat_strips_that_cross_touch_where_they_cross(plane) -> None:  # type: ignore[no-untyped-def]
    """No corner lies on the other strip: only edges meet, in a level or an upright plane."""
    face = np.array([[0, 1, 2]])
    forward = [50.0, 0.0, 0.0]
    upper = np.array([[-5.0, 0.0, 0.0], [5.0, 0.2, 0.0], [5.0, -0.2, 0.0]])[:, plane] + forward
    strip = np.array([[3.0, -5.0, 0.0], [-2.8, 5.0, 0.0], [-3.2, 5.0, 0.0]])[:, plane] + forward
    axis = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
    for way in range(3):  # whichever corner of the lower comes first
        lower = np.roll(strip, way, axis=0)
        ours = first_contact(prepare(upper, face, lower, face), axis)
        assert ours.status == "already_touching"
        assert off_surface((upper, face), ours.point_mm) < 1e-6
        assert off_surface((lower, face), ours.point_mm) < 1e-6
