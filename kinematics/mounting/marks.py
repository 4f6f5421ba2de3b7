"""Skin marks of the located and the arbitrary axis, the side extension and a sideways slip."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.case.tables import Marks


def axes_from_marks(marks: Marks) -> tuple[HingeAxis, HingeAxis]:
    """Build both lines from marks measured on the face.

    Parameters
    ----------
    marks : Marks
        Both marks of a side are measured from the same landmark of that side, so the landmarks
        need not be symmetric.

    Returns
    -------
    (true, arbitrary) : HingeAxis
        In ``axis_orbital``, with points on the skin; the true one symmetric about the origin.

    Notes
    -----
    *Guarantee*: only the differences of the marks count. *Source*: derived here.
    """
    tilt = np.radians(marks.ruler_tilt_deg)
    anterior = np.array([np.cos(tilt), 0.0, np.sin(tilt)])
    superior = np.array([-np.sin(tilt), 0.0, np.cos(tilt)])
    half = np.array([0.0, marks.facial_width_mm / 2.0, 0.0])
    left = (marks.left_arbitrary_anterior_mm - marks.left_located_anterior_mm) * anterior + (
        marks.left_arbitrary_superior_mm - marks.left_located_superior_mm
    ) * superior
    right = (marks.right_arbitrary_anterior_mm - marks.right_located_anterior_mm) * anterior + (
        marks.right_arbitrary_superior_mm - marks.right_located_superior_mm
    ) * superior
    return HingeAxis(half, -half), HingeAxis(half + left, -half + right)


@dataclass(frozen=True)
class SideExtension:
    """How a mounting stand's two side rods are set for a face (mm).

    Attributes
    ----------
    each_side_mm : float
        Setting that centres the face: (facial width - stand width) / 2, positive outwards.
    left_mm, right_mm : float
        The settings actually used when the casts slip sideways (left positive).
    """

    each_side_mm: float
    left_mm: float
    right_mm: float


def side_extension(
    facial_width_mm: float, stand_width_mm: float, slip_left_mm: float = 0.0
) -> SideExtension:
    """Set the side rods of a stand of width ``s`` for a face of width ``w``: (w - s) / 2 a side.

    Notes
    -----
    *Guarantee*: the two settings always add up to w - s. *Source*: derived here.
    """
    each = (facial_width_mm - stand_width_mm) / 2.0
    return SideExtension(each, each + slip_left_mm, each - slip_left_mm)


@dataclass(frozen=True)
class SlipCost:
    """What a sideways slip of the casts along the axis costs.

    Attributes
    ----------
    hinge_error_mm : float
        Largest change of the closing motion at any point: zero up to rounding.
    lateral_mm : float
        Change of every tooth's position in a lateral turn of ``lateral_deg``.
    lateral_anteroposterior_mm, lateral_transverse_mm : float
        Its components for a turn to the patient's left (anterior and left positive).
    """

    hinge_error_mm: float
    lateral_mm: float
    lateral_anteroposterior_mm: float
    lateral_transverse_mm: float


def slip_cost(
    axis: HingeAxis, slip_left_mm: float, *, closing_deg: float, lateral_deg: float
) -> SlipCost:
    """Compute the cost of casts that sit ``slip_left_mm`` too far left along the axis.

    Parameters
    ----------
    axis : HingeAxis
        The transferred axis, ``axis_orbital`` (any symmetric or skewed line).
    slip_left_mm : float
    closing_deg, lateral_deg : float
        Closing about the axis; turn about a vertical line through the working condyle.

    Notes
    -----
    The slipped casts move by ``S^-1 C S`` instead of ``C``, S the slip. For a closing C about
    the axis itself both are the same motion, whatever the slip. For a turn V about a vertical line
    they differ at every point by the same vector, ``(V - I) s``, of length
    ``2 sin(angle / 2) |s|`` (horizontal axis). *Source*: derived here.
    """
    slip = RigidTransform.from_translation(slip_left_mm * axis.direction)
    probes = np.array([[90.0, 0.0, -40.0], [50.0, 25.0, -35.0], [50.0, -25.0, -35.0]])

    def change(motion: RigidTransform) -> FloatArray:
        return (slip.inv() * motion * slip).apply(probes) - motion.apply(probes)

    closing = change(closing_motion(axis, closing_deg))
    working = axis.left_point_mm.copy()  # Rotation.apply refuses read-only arrays
    turn = Rotation.from_rotvec([0.0, 0.0, np.radians(lateral_deg)])
    lateral = RigidTransform.from_components(working - turn.apply(working), turn)
    moved = change(lateral)[0]
    return SlipCost(
        hinge_error_mm=float(np.linalg.norm(closing, axis=1).max()),
        lateral_mm=float(np.linalg.norm(moved)),
        lateral_anteroposterior_mm=float(moved[0]),
        lateral_transverse_mm=float(moved[1]),
    )
