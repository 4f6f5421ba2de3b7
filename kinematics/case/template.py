"""Commented case files to fill in, for whichever measurements exist; text in form.toml.j2."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping
from pathlib import Path

from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.errors import InputError
from kinematics.base.words import CAUTIONS
from kinematics.case.layout import choices, field_of, toml

MOUNTINGS = {
    "axis_points": "axis points and a third reference point seen in the upper scan (facebow: the "
    "cast that it mounted, scanned with the articulator's axis)",
    "fiducials": "three or more points known in the scan and against the axis",
    "matrix": "a ready 4x4 from a scanner, tracker or registered volume",
    "distances": "caliper readings from the axis points to the teeth (facebow without that scan)",
    "located_axis": "the lower scanned or tracked at two or more openings: the axis is computed",
    "average": "nothing measured: Bonwill triangle and Balkwill angle (averages)",
    "none": "no casts: landmarks measured against the axis",
}
"""Ways to relate the casts to the axis, with what each needs; asked by ``hingewise start``."""
MEASUREMENTS = {
    "located_axis": "the true hinge axis was located on this patient",
    "marks": "arbitrary and located axis are both marked on the skin and measured with a ruler",
    "scanned_at_record": "the lower cast was scanned in the interocclusal record",
    "pin": "the place of the incisal pin's tip against the axis is known",
    "third_point": "the third reference point and its possible error are known",
    "articulator": "condylar and incisal settings of the articulator are known",
    "guidance_records": "protrusive or lateral interocclusal records were scanned",
    "uncertainty": "the answer should carry its uncertainty",
}
"""What may have been measured besides; asked by ``hingewise start``."""

FORM = Path(__file__).with_name("form.toml.j2")
"""The text of the form: every table, with what it depends on."""
POINTS_MM = ((92.0, -4.0, -38.0), (58.0, -26.0, -36.0), (58.0, 26.0, -36.0))
"""Points of the upper whose distances from the axis points the templates give, ``axis_orbital``."""
OPENINGS_DEG = (5.0, 9.0)
HALF_WIDTH_MM = 55.0
"""Half the distance of the axis points of the templates (ours)."""
PROTRUSION_MM = (5.0, 0.0, -4.2)
LATERAL_ROTVEC_DEG, LATERAL_SHIFT_MM = (1.9, 0.0, 2.3), (0.0, 0.5, 0.0)
"""A left lateral excursion: turn about the working element, and side shift."""


def template(kind: str, measurements: Collection[str] = ()) -> str:
    """Return a commented case file to fill in.

    Parameters
    ----------
    kind : str
        A key of ``MOUNTINGS``.
    measurements : collection of str
        Keys of ``MEASUREMENTS``. Without ``located_axis`` and ``marks`` the offsets are 0 and an
        uncertainty says how far off the arbitrary axis may be.

    Returns
    -------
    str
        TOML that :func:`kinematics.case.read.read_case` accepts as it is.

    Raises
    ------
    InputError
        Unknown kind or measurement (the nearest is named).
    """
    chosen = set(measurements)
    check_choice(kind, MOUNTINGS, "mounting")
    for name in sorted(chosen):
        check_choice(name, MEASUREMENTS, "measurement")
    compared = bool(chosen & {"located_axis", "marks"})
    casts = kind != "none"
    scanned = casts and "scanned_at_record" in chosen
    import jinja2

    environment = jinja2.Environment(
        trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
        undefined=jinja2.StrictUndefined,
    )  # fmt: skip
    return environment.from_string(FORM.read_text(encoding="utf-8")).render(
        one_of=lambda path: " | ".join(choices(field_of(path))),
        default=lambda path: toml(field_of(path)["default"]),
        kind=kind,
        chosen=chosen,
        cautions=CAUTIONS,
        casts=casts,
        scanned=scanned,
        compared=compared,
        recorded=casts and "guidance_records" in chosen,
        pose="record" if scanned else "intercuspation",
        axis="true" if compared else "arbitrary",
        offsets=(4.0, -3.0, 5.5, -1.0) if compared else (0.0,) * 4,
        distances=example_distances(70.0 if "marks" in chosen else HALF_WIDTH_MM),
        openings=example_openings(),
        records=example_records(),
    )


def check_choice(name: str, choices: Mapping[str, str], what: str) -> None:
    """Refuse a name that is not among the choices; the nearest, or their meanings, are told."""
    if name in choices:
        return
    near = difflib.get_close_matches(name, choices, n=1, cutoff=0.4)
    meanings = "; ".join(f"{choice}: {words}" for choice, words in choices.items())
    hint = f"Did you mean {near[0]!r}?" if near else f"Choose by what it means. {meanings}."
    raise InputError(what, repr(name), f"one of {', '.join(choices)}", hint)


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
        matrix_text(RigidTransform.from_rotation(Rotation.from_rotvec([0.0, a, 0.0], degrees=True)))
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
    return [matrix_text(pose) for pose in poses]


def matrix_text(pose: RigidTransform) -> str:
    """A pose as four rows of TOML."""
    rows = pose.as_matrix().round(9) + 0.0  # no -0.0
    lines = ",\n  ".join(str(row) for row in rows.tolist())
    return f"[\n  {lines},\n]"
