"""An invented patient in the scan's frame, ways to mount him, and poses drawn from a mounting."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.case.read import case_from_dict
from kinematics.mounting.mount import Mounting


def drawn_poses(mounting: Mounting, rng: np.random.Generator, n: int) -> RigidTransform:
    """``n`` poses ``axis_orbital_from_upper_scan`` of a mounting with a covariance, normal law."""
    draws = rng.multivariate_normal(np.zeros(6), mounting.covariance, size=n, method="eigh")
    step = RigidTransform.from_components(draws[:, 3:], Rotation.from_rotvec(draws[:, :3]))
    return step * mounting.axis_orbital_from_upper_scan


TRUTH = RigidTransform.from_components(
    [12.0, -30.0, 140.0], Rotation.from_euler("zyx", [95, 12, -8], degrees=True)
)
"""axis_orbital_from_upper_scan of the invented patient."""
LOWER = {
    "incisal point": (31, [90.0, 1.0, -38.0]),
    "37 distobuccal cusp": (37, [45.0, 25.0, -35.0]),
    "47 distobuccal cusp": (47, [46.0, -24.0, -35.0]),
}
OFFSETS = {
    "left_anterior_mm": 4.0,
    "left_superior_mm": -3.0,
    "right_anterior_mm": 5.5,
    "right_superior_mm": -1.0,
}


def scan(points):
    return TRUTH.inv().apply(np.asarray(points, dtype=float)).tolist()


def case(mounting, **changes):
    data = {
        "schema": "hingewise-case/1",
        "label": "case 1",
        "mounting": mounting,
        "true_axis": {"width_mm": 110.0},
        "arbitrary_axis": dict(OFFSETS),
        "record": {"opening_deg": 2.0},
        "target": {"opening_deg": 0.0},
        "landmarks": [{"name": n, "tooth": t, "point_mm": scan(p)} for n, (t, p) in LOWER.items()],
    }
    data.update(changes)
    data = {k: v for k, v in data.items() if v is not None}
    return case_from_dict(data)


def points_mounting(left=(0.0, 55, 0), right=(0.0, -55, 0), third=(80.0, 30, 0), **more):
    return {
        "method": "axis_points",
        "left_point_mm": scan(left),
        "right_point_mm": scan(right),
        "third_point_mm": scan(third),
        **more,
    }


def close(a, b, atol=1e-9):
    return np.allclose(a.as_matrix(), b.as_matrix(), atol=atol)


def average(**more):
    points = [scan(p) for _, p in LOWER.values()]
    names = ("incisal_point_mm", "left_molar_point_mm", "right_molar_point_mm")
    return {"method": "average", **dict(zip(names, points)), **more}


SPREAD = [[45.0, -25, -35], [45, 25, -35], [90, 0, -38], [65, 0, -22], [70, -20, -30]]


def fiducials(shift=None, **more):
    rows = [
        {"name": f"p{i}", "upper_scan_mm": scan(p), "axis_orbital_mm": list(map(float, p))}
        for i, p in enumerate(SPREAD)
    ]
    if shift is not None:
        rows[3]["axis_orbital_mm"] = (np.array(SPREAD[3]) + shift).tolist()
    return {"method": "fiducials", "fiducials": rows, **more}
