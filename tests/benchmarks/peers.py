"""The same question put to general collision libraries, each by its own means."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.oracles.independent import Bisection, spin

Array = NDArray[np.float64]
STEP_RAD = math.radians(0.25)
TOLERANCE_RAD = 1e-9


def bisect(hits: Callable[[float], bool], *, end_rad: float = math.radians(60)) -> float:
    """Steps of 0.25 degrees, then bisection to 1e-9 rad."""
    lo, hi = 0.0, 0.0
    while not hits(hi):
        lo, hi = hi, hi + STEP_RAD
        if lo >= end_rad:
            return math.nan
    while hi - lo > TOLERANCE_RAD:
        mid = 0.5 * (lo + hi)
        lo, hi = (lo, mid) if hits(mid) else (mid, hi)
    return 0.5 * (lo + hi)


def matrix(left: Array, right: Array, t: float) -> Array:
    """Closing by t about an axis as a 4x4 matrix."""
    w, k, o = spin(left, right)
    out = np.eye(4)
    out[:3, :3] = w + math.cos(t) * (np.eye(3) - w) + math.sin(t) * k
    out[:3, 3] = o - out[:3, :3] @ o
    return out


def fcl_bisection(upper: tuple, lower: tuple) -> Callable[[Array, Array], float]:
    """python-fcl, prepared once, bisection."""
    prepared = Bisection(*upper, *lower)
    return lambda left, right: prepared.first(
        left, right, step_rad=STEP_RAD, tolerance_rad=TOLERANCE_RAD
    )


def fcl_continuous(upper: tuple, lower: tuple) -> Callable[[Array, Array], float]:
    """python-fcl's continuous collision over one screw motion of 6 degrees."""
    import fcl

    prepared = Bisection(*upper, *lower)
    span = math.radians(6.0)

    def solve(left: Array, right: Array) -> float:
        up, low = prepared.objects
        low.setTransform(fcl.Transform())
        end = matrix(left, right, span)
        request = fcl.ContinuousCollisionRequest(
            num_max_iterations=1000,
            toc_err=1e-9,
            ccd_motion_type=fcl.CCDMotionType.CCDM_SCREW,
            ccd_solver_type=fcl.CCDSolverType.CCDC_CONSERVATIVE_ADVANCEMENT,
        )
        result = fcl.ContinuousCollisionResult()
        share = fcl.continuousCollide(
            up, fcl.Transform(), low, fcl.Transform(end[:3, :3], end[:3, 3]), request, result
        )
        return float(share) * span if result.is_collide else math.nan

    return solve


def trimesh_bisection(upper: tuple, lower: tuple) -> Callable[[Array, Array], float]:
    """trimesh's collision manager (itself on FCL), bisection."""
    import trimesh

    manager = trimesh.collision.CollisionManager()
    for name, (v, f) in (("upper", upper), ("lower", lower)):
        manager.add_object(name, trimesh.Trimesh(v, f, process=False))

    def solve(left: Array, right: Array) -> float:
        def hits(t: float) -> bool:
            manager.set_transform("lower", matrix(left, right, t))
            return bool(manager.in_collision_internal())

        return bisect(hits)

    return solve


def vtk_bisection(upper: tuple, lower: tuple) -> Callable[[Array, Array], float]:
    """VTK's collision filter, first contact only, bisection."""
    from vtkmodules.util.numpy_support import numpy_to_vtk, numpy_to_vtkIdTypeArray
    from vtkmodules.vtkCommonCore import vtkPoints
    from vtkmodules.vtkCommonDataModel import vtkCellArray, vtkPolyData
    from vtkmodules.vtkCommonMath import vtkMatrix4x4
    from vtkmodules.vtkFiltersModeling import vtkCollisionDetectionFilter

    found = vtkCollisionDetectionFilter()
    for port, (v, f) in enumerate((upper, lower)):
        points, cells, data = vtkPoints(), vtkCellArray(), vtkPolyData()
        points.SetData(numpy_to_vtk(np.ascontiguousarray(v), deep=True))
        flat = np.column_stack([np.full(len(f), 3), f]).astype(np.int64).ravel()
        cells.SetCells(len(f), numpy_to_vtkIdTypeArray(flat, deep=True))
        data.SetPoints(points)
        data.SetPolys(cells)
        found.SetInputData(port, data)
    fixed, moving = vtkMatrix4x4(), vtkMatrix4x4()
    found.SetMatrix(0, fixed)
    found.SetMatrix(1, moving)
    found.SetCollisionModeToFirstContact()
    found.SetBoxTolerance(0.0)
    found.SetCellTolerance(0.0)
    found.GenerateScalarsOff()

    def solve(left: Array, right: Array) -> float:
        def hits(t: float) -> bool:
            m = matrix(left, right, t)
            moving.DeepCopy(m.ravel().tolist())
            found.Modified()
            found.Update()
            return found.GetNumberOfContacts() > 0

        return bisect(hits)

    return solve


PEERS = {
    "python-fcl bisection": fcl_bisection,
    "python-fcl continuous": fcl_continuous,
    "trimesh manager bisection": trimesh_bisection,
    "VTK filter bisection": vtk_bisection,
}
