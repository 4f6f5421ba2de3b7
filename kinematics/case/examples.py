"""Example numbers of the case templates: distances and poses that fit one another."""

from __future__ import annotations

from scipy.spatial.transform import RigidTransform, Rotation

POINTS_MM = ((92.0, -4.0, -38.0), (58.0, -26.0, -36.0), (58.0, 26.0, -36.0))
"""Points of the upper whose distances from the axis points the templates give, ``axis_orbital``."""
OPENINGS_DEG = (5.0, 9.0)
HALF_WIDTH_MM = 55.0
"""Half the distance of the axis points of the templates (ours)."""
PROTRUSION_MM = (5.0, 0.0, -4.2)
LATERAL_ROTVEC_DEG, LATERAL_SHIFT_MM = (1.9, 0.0, 2.3), (0.0, 0.5, 0.0)
"""A left lateral excursion: turn about the working element, and side shift."""


def example_distances(half_width_mm: float) -> list[float]:
    """Distances of the example points from both axis points, mm, left before right."""
    return [
        round((x**2 + (y - side) ** 2 + z**2) ** 0.5, 1)
        for x, y, z in POINTS_MM
        for side in (half_width_mm, -half_width_mm)
    ]


def example_openings() -> list[str]:
    """Poses of a lower opened about the y axis of its scan, as TOML."""
    return [
        _toml(RigidTransform.from_rotation(Rotation.from_rotvec([0.0, a, 0.0], degrees=True)))
        for a in OPENINGS_DEG
    ]


def example_records() -> list[str]:
    """Poses of a lower in a protrusive, a left and a right lateral record, as TOML."""
    poses = [RigidTransform.from_translation(PROTRUSION_MM)]
    for side in (1.0, -1.0):
        x, y, z = LATERAL_ROTVEC_DEG
        turn = Rotation.from_rotvec([side * x, y, side * z], degrees=True)
        hinge = RigidTransform.from_translation([0.0, side * HALF_WIDTH_MM, 0.0])
        shift = RigidTransform.from_translation([side * v for v in LATERAL_SHIFT_MM])
        poses.append(shift * hinge * RigidTransform.from_rotation(turn) * hinge.inv())
    return [_toml(pose) for pose in poses]


def _toml(pose: RigidTransform) -> str:
    rows = pose.as_matrix().round(9) + 0.0  # no -0.0
    lines = ",\n  ".join(str(row) for row in rows.tolist())
    return f"[\n  {lines},\n]"
