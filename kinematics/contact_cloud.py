"""First contact about each axis of a cloud."""

from __future__ import annotations

import math

import numpy as np

from kinematics.broadphase import START, axis_frame, descend, moved_frame
from kinematics.contact_point import contact_point
from kinematics.kernels import kernel

STATUS_NAMES = ("none_in_range", "contact", "already_touching")


@kernel
def solve_axes(  # type: ignore[no-untyped-def]
    upper, lower, motion, axes, limit, status, closing, points, upper_face, lower_face, kinds
):
    """Fill the results of each axis, shape (n, 2, 3); see ``kinematics.contact.FirstContacts``."""
    fu, fl = np.empty((4, 3)), np.empty((4, 3))
    found, count = np.zeros(3, dtype=np.int64), np.zeros(2, dtype=np.int64)
    toward = np.empty(3)
    for k in range(3):
        toward[k] = float(upper[3][0, k])
    for n in range(len(axes)):
        axis_frame(axes[n, 0], axes[n, 1], toward, fu)
        moved_frame(fu, motion, fl)
        t = descend(upper, fu, lower, fl, limit, found, count)
        if found[0] == 0:
            continue
        upper_face[n], lower_face[n] = found[1], found[2]
        status[n] = 2 if found[0] == START else 1
        closing[n] = max(0.0, math.degrees(t))
        kinds[n] = contact_point(upper, fu, found[1], lower, fl, found[2], t, points[n])
