"""The case as a whole: which tables must stand together, and the folder its paths refer to."""

from __future__ import annotations

import math
import os
import stat
from pathlib import Path
from typing import Literal

from pydantic import Field, PrivateAttr, model_validator

from kinematics.base.axis import MIN_POINT_DISTANCE_MM
from kinematics.base.errors import InputError
from kinematics.case import tables
from kinematics.case.fields import Table, Text, optional, refuse, required
from kinematics.case.mounting_tables import AnyMounting, AxisPointsMounting, check_unique

SCHEMA = "hingewise-case/1"
"""Name and version of the case file's layout."""
INCISORS = frozenset({31, 32, 41, 42, 71, 72, 81, 82})
"""ISO 3950 lower incisors."""


class Case(Table):
    """One patient's case, checked; attribute names are the key names of the file.

    Attributes
    ----------
    schema_id : str
        The file's ``schema`` key.
    mounting : one of the tables of :mod:`kinematics.case.mounting_tables`, or None
        None only without casts: landmarks are then in ``axis_orbital`` already.
    true_axis, arbitrary_axis : TrueAxis, ArbitraryAxis or None
        None where the mounting (``true_axis``) or ``marks`` (both) gives them; read the axes from
        :func:`kinematics.mounting.mount.mount`, not from here.
    """

    schema_id: Literal["hingewise-case/1"] = Field(
        alias="schema", description="Layout of this file"
    )
    label: Text = required("Pseudonym, never a name")
    casts: tables.Casts | None = optional("Meshes of both jaws")
    mounting: AnyMounting | None = optional("How the casts relate to the axis")
    true_axis: tables.TrueAxis | None = optional("True axis")
    arbitrary_axis: tables.ArbitraryAxis | None = optional("Arbitrary axis")
    marks: tables.Marks | None = optional("Skin marks of both axes")
    third_point: tables.ThirdPoint | None = optional("Anterior reference point")
    record: tables.Record = required("Interocclusal record")
    target: tables.Target = required("Jaw relation wanted")
    pin: tables.Pin = optional("Incisal pin", tables.Pin())
    decision: tables.Decision = optional("Tolerance and stop", tables.Decision())
    articulator: tables.ArticulatorTable | None = optional("Settings of the articulator")
    uncertainty: tables.Uncertainty | None = optional("How sure the readings are")
    landmarks: list[tables.Landmark] = Field(
        default_factory=list, description="Points where the error is told"
    )
    _folder: Path = PrivateAttr(default=Path())

    @property
    def folder(self) -> Path:
        """Folder of the case file; relative paths in the case start here."""
        return self._folder

    @model_validator(mode="after")
    def tables_agree(self) -> Case:
        """Check what no table can know alone."""
        check_unique([mark.name for mark in self.landmarks], "landmarks")
        self.check_poses()
        self.check_axes()
        if self.casts is None:
            self.check_without_casts()
        elif self.mounting is None:
            fix = "Add [mounting] with method = 'axis_points', 'fiducials', 'matrix', 'distances' "
            fix += "or 'average'."
            refuse("no [mounting]", "a mounting when [casts] is given", fix, "mounting")
        return self

    def check_poses(self) -> None:
        """Casts scanned in the record have it as their record."""
        at_record = self.casts is not None and self.casts.scanned_at == "record"
        if at_record and not self.record.as_scanned:
            got = "another record than the scanned pose"
            fix = "Set [record] as_scanned = true, or scanned_at = 'intercuspation'."
            refuse(got, "as_scanned = true with casts.scanned_at = 'record'", fix, "record")

    def check_axes(self) -> None:
        """Both axes are known, each from one place."""
        if self.marks is not None:
            for name in ("arbitrary_axis", "true_axis"):
                if getattr(self, name) is not None:
                    need = "one of them: marks give both axes"
                    refuse(f"[{name}] and [marks]", need, f"Remove [{name}] or [marks].", name)
        elif self.arbitrary_axis is None:
            fix = "Add the four offsets; 0.0 each if the true axis was never located and "
            fix += "[uncertainty] says how far off the arbitrary one may be."
            refuse("nothing", "an [arbitrary_axis] or [marks]", fix, "arbitrary_axis")
        seen = self.mounting is not None and self.mounting.method in ("axis_points", "located_axis")
        if self.mounting is not None and seen and self.true_axis is not None:
            got = "[true_axis] with a mounting that measures the axis"
            need = f"the width that method = '{self.mounting.method}' gives"
            refuse(got, need, "Remove [true_axis].", "true_axis")
        found = seen or (self.mounting is not None and self.mounting.method == "distances")
        if not found and self.true_axis is None and self.marks is None:
            need = "the distance of the true axis points in mm"
            refuse("nothing", need, "Add [true_axis] width_mm (about 110).", "true_axis")
        on_arbitrary = getattr(self.mounting, "axis", "true") == "arbitrary"
        if on_arbitrary and self.arbitrary_axis is not None and not self.arbitrary_axis.by_offsets:
            need = "the four offsets when the mounting's axis points are the arbitrary ones"
            fix = "Give [arbitrary_axis] as left/right anterior/superior offsets."
            refuse("points", need, fix, "arbitrary_axis")
        if on_arbitrary and isinstance(self.mounting, AxisPointsMounting):
            self._check_skew(self.mounting)

    def _check_skew(self, mounting: AxisPointsMounting) -> None:
        """Refuse offsets that differ by side by more than the measured points are apart."""
        axis = self.arbitrary_axis
        if axis is None:
            return
        apart = math.dist(mounting.left_point_mm, mounting.right_point_mm)
        gap = math.hypot(
            (axis.left_anterior_mm or 0.0) - (axis.right_anterior_mm or 0.0),
            (axis.left_superior_mm or 0.0) - (axis.right_superior_mm or 0.0),
        )
        if apart**2 - gap**2 < MIN_POINT_DISTANCE_MM**2:
            got = f"offsets that differ by {gap:.4g} mm between left and right"
            need = f"clearly less than the {apart:.4g} mm between the axis points"
            refuse(got, need, "Check the offsets and the mounting's axis points.", "arbitrary_axis")

    def check_without_casts(self) -> None:
        """What needs casts is refused without them."""
        front = None if self.articulator is None else self.articulator.front
        if front in ("teeth", "first"):
            got = f"'{front}' without [casts]"
            fix = "Give [casts] with upper and lower, or leave front out."
            refuse(got, "'pin' where there are no casts", fix, "articulator.front")
        if self.articulator is not None and self.articulator.records:
            got = "records without [casts]"
            fix = "Give [casts] with upper and lower, or the angles that the records told."
            refuse(got, "casts that the records fit", fix, "articulator.records")
        if not self.landmarks:
            got = "no [casts] and no [[landmarks]]"
            fix = "Add [[landmarks]] with name and point_mm, or [casts] with upper and lower."
            refuse(got, "casts, or at least one landmark", fix, "landmarks")
        for table in ("record", "target"):
            site = getattr(self, table).site
            if site is None or site == "pin" or any(site == m.name for m in self.landmarks):
                continue
            if site == "incisors" and any(m.tooth in INCISORS for m in self.landmarks):
                continue
            names = ", ".join(m.name for m in self.landmarks[:20])
            fix = "Without casts, 'incisors' needs a landmark whose tooth is a lower incisor."
            refuse(f"{site!r}", f"'pin' or a landmark: {names}", fix, f"{table}.site")

    def path(self, text: str, where: str) -> Path:
        """Resolve a path of the case, which must stay inside its folder.

        Raises
        ------
        InputError
            The path leaves the case's folder and ``casts.allow_outside`` is not true, or it
            names a folder, pipe or device.
        """
        try:
            full = (self.folder / text).resolve()
            status = full.stat() if os.path.lexists(full) else None
        except (OSError, RuntimeError, ValueError):  # too long, or links in a circle
            raise InputError(where, repr(text), "a path that exists", "Correct it.") from None
        if status is None and "\\" in text and os.sep == "/":
            fix = "Write the path with / instead of \\."
            raise InputError(where, repr(text), "a path that exists", fix)
        allowed = self.casts is not None and self.casts.allow_outside
        if not allowed and not full.is_relative_to(self.folder.resolve()):
            fix = "Move the file there, or set [casts] allow_outside = true."
            raise InputError(where, repr(text), "a path inside the case's folder", fix)
        if status is not None and not stat.S_ISREG(status.st_mode):
            got = f"{text!r}: a folder, pipe or device"
            raise InputError(where, got, "a regular file", "Name the file.")
        return full

    def meshes(self) -> dict[str, str]:
        """Every mesh file that the case names, by the field that names it."""
        if self.casts is None:
            return {}
        out = {"casts.upper": self.casts.upper, "casts.lower": self.casts.lower}
        opened = getattr(self.mounting, "openings", ())
        recorded = self.articulator.records if self.articulator is not None else ()
        for table, scans in (("mounting.openings", opened), ("articulator.records", recorded)):
            fields = ((f"{table}.{i}.file", scan.file) for i, scan in enumerate(scans))
            out |= {field: file for field, file in fields if file is not None}
        return out

    def cast_path(self, which: Literal["upper", "lower"]) -> Path | None:
        """Path of a cast, or None without casts."""
        return (
            None if self.casts is None else self.path(getattr(self.casts, which), f"casts.{which}")
        )
