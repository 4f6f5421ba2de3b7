"""Poses drawn from a mounting's covariance, by its definition and nothing else."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.mounting import Mounting


def drawn_poses(mounting: Mounting, rng: np.random.Generator, n: int) -> RigidTransform:
    """``n`` poses ``axis_orbital_from_upper_scan`` of a mounting with a covariance, normal law."""
    draws = rng.multivariate_normal(np.zeros(6), mounting.covariance, size=n, method="eigh")
    step = RigidTransform.from_components(draws[:, 3:], Rotation.from_rotvec(draws[:, :3]))
    return step * mounting.axis_orbital_from_upper_scan
