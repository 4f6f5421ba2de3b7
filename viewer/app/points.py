"""Landmarks and fiducials picked on the casts, and how they enter the case."""

from __future__ import annotations

import itertools
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from kinematics.base.errors import InputError
from kinematics.case.read import Case, case_from_dict, case_to_dict
from kinematics.closure.close import Closures
from kinematics.closure.place import PlacedCase
from kinematics.mounting.methods import lower_to_upper
from viewer.app.controls import number
from viewer.scene.picking import Hit, pick, ray

Kind = Literal["landmark", "fiducial"]


def scan_point(placed: PlacedCase, kind: str, point_mm: NDArray[np.float64]) -> list[float]:
    """A picked point (``axis_orbital``, the lower at the scanned pose) in its own scan, mm."""
    from_scan = placed.mounting.axis_orbital_from_upper_scan
    if kind == "landmark":
        from_scan = from_scan * lower_to_upper(placed.case)
    return [round(float(v), 4) for v in from_scan.inv().apply(point_mm)]


def without_landmark(case: Case, index: int) -> Case:
    """The case without one of its landmarks.

    Raises
    ------
    InputError
        No such landmark, or the case cannot do without it.
    """
    data = case_to_dict(case)
    marks = data.get("landmarks", [])
    if not 0 <= index < len(marks):
        raise InputError("point", f"landmark {index}", f"0 to {len(marks) - 1}", "Reload.")
    marks.pop(index)
    return case_from_dict(data, folder=case.folder)


class Pending:
    """What has been picked and is not yet in the case.

    Attributes
    ----------
    fiducials : list of dict
        Of a case that is not mounted by fiducials yet.
    """

    def __init__(self) -> None:
        self.fiducials: list[dict[str, Any]] = []
        self._kind: str = ""
        self._point: list[float] = []
        self._suggestion = ""
        self._tooth = 0
        self._at: list[float] = []

    def pick(self, reading: Closures, kind: str, origin: Any, direction: Any) -> Hit:
        """Pick on the lower at the target pose (``landmark``) or on the upper (``fiducial``).

        Raises
        ------
        InputError
            Nothing there to pick.
        """
        placed = reading.placed
        cast = placed.lower if kind == "landmark" else placed.upper
        if cast is None:
            raise InputError("point", "no casts", "a case with casts", "Add [casts] to the case.")
        at, along = ray(origin, direction)
        to_target = reading.bite(reading.stop).target_from_scanned
        if kind == "landmark":
            back = to_target.inv()
            at, along = back.apply(at), back.rotation.apply(along)
        hit = pick(cast, at, along)
        if hit is None:
            self._kind = ""
            raise InputError("point", "a click beside the cast", "a click on it", "Click again.")
        self._kind, self._tooth = kind, hit.tooth
        self._point = scan_point(placed, kind, hit.point_mm)
        shown = to_target.apply(hit.point_mm) if kind == "landmark" else hit.point_mm
        self._at = [round(float(v), 3) for v in shown]
        if kind == "landmark":
            taken = {mark.name for mark in reading.case.landmarks}
            stem = f"{hit.tooth} point" if hit.tooth else "point"
        else:
            taken = {f["name"] for f in self._known(reading.case)}
            stem = "fiducial"
        names = (f"{stem} {count}" for count in itertools.count(1))
        self._suggestion = next(name for name in names if name not in taken)
        return hit

    def _known(self, case: Case) -> list[dict[str, Any]]:
        mounting = case.mounting
        if mounting is not None and mounting.method == "fiducials":
            return [f.model_dump() for f in mounting.fiducials]
        return self.fiducials

    def add(self, reading: Closures, kind: str, name: str, tooth: Any, at: Any) -> Case | None:
        """Name the picked point.

        Returns
        -------
        Case or None
            The changed case; None where the point only joined the list of fiducials.

        Raises
        ------
        InputError
            Nothing picked, a bad name or tooth, or coordinates that are not numbers.
        """
        if not self._point or kind != self._kind:
            raise InputError("point", "nothing picked", "a picked point", "Click on the cast.")
        data = case_to_dict(reading.case)
        if kind == "landmark":
            mark: dict[str, Any] = {"name": name.strip(), "point_mm": self._point}
            text = str(tooth or "").strip() or (str(self._tooth) if self._tooth else "")
            if text:
                tooth_number = number("tooth", text)
                mark["tooth"] = int(tooth_number) if tooth_number.is_integer() else tooth_number
            data.setdefault("landmarks", []).append(mark)
        else:
            values = list(at) if isinstance(at, list | tuple) else []
            if len(values) != 3:
                raise InputError("point", f"{len(values)} numbers", "x, y, z", "Type all three.")
            point = {
                "name": name.strip(),
                "upper_scan_mm": self._point,
                "axis_orbital_mm": [number("axis_orbital_mm", v) for v in values],
            }
            if data.get("mounting", {}).get("method") != "fiducials":
                if point["name"] in {f["name"] for f in self.fiducials}:
                    raise InputError("point", repr(point["name"]), "a new name", "Rename it.")
                self.fiducials.append(point)
                self._kind, self._point = "", []
                return None
            data["mounting"]["fiducials"].append(point)
        case = case_from_dict(data, folder=reading.case.folder)
        self._kind, self._point = "", []
        return case

    def mounted(self, reading: Closures) -> Case:
        """The case mounted by the picked fiducials instead of its own mounting.

        Raises
        ------
        InputError
            Fewer than three, or the case refuses them.
        """
        data = case_to_dict(reading.case)
        data["mounting"] = {"method": "fiducials", "fiducials": list(self.fiducials)}
        if reading.case.marks is None:
            width = round(float(reading.true_axis.width_mm), 4)
            data.setdefault("true_axis", {"width_mm": width})
        return case_from_dict(data, folder=reading.case.folder)

    def marker(self) -> list[dict[str, Any]]:
        """The picked point as something to draw (``axis_orbital``, mm); empty without one."""
        if not self._kind:
            return []
        return [{"layer": "pick", "role": "contact", "at": self._at, "radius": 0.7}]

    def picked_state(self) -> dict[str, Any]:
        """The picked point for the page."""
        if not self._kind:
            return {"kind": ""}
        frame = "lower_scan" if self._kind == "landmark" else "upper_scan"
        text = ", ".join(f"{v:.2f}" for v in self._point)
        tooth = f", tooth {self._tooth}" if self._tooth else ""
        return {
            "kind": self._kind,
            "text": f"{frame} {text} mm{tooth}",
            "suggestion": self._suggestion,
        }

    def state(self, case: Case) -> dict[str, Any]:
        """Names of the case's own landmarks and of the fiducials for the page."""
        return {
            "landmarks": [m.name for m in case.landmarks],
            "fiducials": [f["name"] for f in self._known(case)],
            "pending": self._known(case) is self.fiducials,
        }
