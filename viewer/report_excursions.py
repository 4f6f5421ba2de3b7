"""Words and tables of the excursions, for the report and the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kinematics.excursion_error_records import CAUTION, path_angles_deg
from viewer.excursion_figures import KIND_LABEL
from viewer.report_tables import NONE, Table, plain, signed, um

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kinematics.excursion_error_records import ExcursionErrors
    from kinematics.excursion_path import ExcursionPath, Kind

WORST_TEETH = 5
"""Teeth in the table of an excursion, those of largest error at its end (ours)."""
FRONT_WORDS = {
    "pin": "The pin on its table guides the front; tooth contacts on the way are left aside.",
    "teeth": "The teeth guide the front.",
    "first": "The pin on its table or the teeth guide the front, whichever meets first.",
}
SETTINGS_WORDS = {
    "same_angles": "The articulator is set to the patient's guidance angles.",
    "records": "The articulator's settings are solved from the patient's records, taken on it.",
}
SETTING_ROWS = (
    ("distance of the condylar elements, mm", "intercondylar_mm", None),
    ("sagittal condylar inclination, °", "sagittal_inclination_left_deg",
     "sagittal_inclination_right_deg"),
    ("Bennett angle, °", "bennett_left_deg", "bennett_right_deg"),
    ("immediate side shift, mm", "immediate_side_shift_left_mm", "immediate_side_shift_right_mm"),
    ("radius of the guide, mm", "guide_radius_left_mm", "guide_radius_right_mm"),
    ("incisal table, sagittal, °", "incisal_sagittal_deg", None),
    ("incisal table, lateral, °", "incisal_lateral_deg", None),
)  # fmt: skip


def worst_sentence(e: ExcursionErrors) -> str:
    """The largest error of all excursions in one sentence."""
    kind, name, size = e.worst()
    return (
        f"In excursions the articulator is off by up to {plain(1e3 * size)} µm: in the "
        f"{KIND_LABEL[kind]} movement, at {name}."
    )


def stop_sentences(e: ExcursionErrors) -> tuple[str, ...]:
    """One sentence for every excursion that ends early."""
    return tuple(
        f"The {KIND_LABEL[kind]} movement of the {who} stops early: {path.message}"
        for kind, error in e.kinds.items()
        for who, path in (("patient", error.patient), ("articulator", error.articulator))
        if not path.complete
    )


def excursion_paragraphs(
    e: ExcursionErrors, tolerance_mm: float, third_error_mm: float = 0.0
) -> tuple[str, ...]:
    """What stands above the figures of the excursions.

    Parameters
    ----------
    e : ExcursionErrors
    tolerance_mm : float
    third_error_mm : float
        Height error of the third reference point that the comparison holds, superior positive.
    """
    cause = "The casts stand in the articulator by the arbitrary axis"
    cause += (
        f" and by a third reference point {signed(third_error_mm, 1)} mm off (+ superior); the "
        "error is that of both."
        if third_error_mm
        else "; the error is that of the axis alone."
    )
    over = [
        KIND_LABEL[k]
        for k, error in e.kinds.items()
        if np.linalg.norm(error.error_mm, axis=2).max() > tolerance_mm
    ]
    limit = f"your tolerance of {plain(1e3 * tolerance_mm)} µm"
    said = (
        f"Beyond {limit} somewhere on the way: {', '.join(over)}."
        if over
        else f"No excursion leaves {limit}."
    )
    return (
        f"{worst_sentence(e)} {said}",
        "Both movements start with the casts put together at the target, so that this error comes "
        "on top of the closure's. "
        + cause
        + " "
        + SETTINGS_WORDS[e.settings_from]
        + " "
        + FRONT_WORDS[e.front],
        *stop_sentences(e),
        CAUTION,
    )


def _fate(path: ExcursionPath) -> str:
    return "goes to the end" if path.complete else f"stops early: {path.message}"


def excursion_table(e: ExcursionErrors, kind: Kind, teeth: Sequence[int]) -> Table:
    """Error at the end of one excursion, at the worst landmark of the worst teeth.

    Parameters
    ----------
    e : ExcursionErrors
    kind : str
    teeth : sequence of int
        ISO 3950 number of each landmark, 0 where it has none.
    """
    error = e.kinds[kind]
    end = np.linalg.norm(error.error_mm[-1], axis=1)
    best: dict[str, int] = {}
    for j in np.argsort(-end, kind="stable"):
        best.setdefault(str(teeth[j] or e.names[j]), int(j))
    rows = []
    for j in list(best.values())[:WORST_TEETH]:
        descent, heading = zip(
            *(path_angles_deg(p[:, j]) for p in (error.patient_mm, error.articulator_mm))
        )
        rows.append(
            (
                e.names[j],
                plain(1e3 * float(end[j])),
                *(um(float(c)) for c in error.error_mm[-1, j]),
                um(float(error.high_mm[-1, j])),
                plain(descent[0], 1),
                plain(descent[1], 1),
                signed(heading[0], 1),
                signed(heading[1], 1),
            )
        )
    shift = max(abs(float(p.side_shift_mm[-1])) for p in (error.patient, error.articulator))
    note = f"The patient {_fate(error.patient)}; the articulator {_fate(error.articulator)}. "
    note += (
        "Descent: how steeply the tooth's path falls from the horizontal; heading: its way in the "
        "horizontal, 0 straight forwards, + to the patient's left."
    )
    if shift > 0.0:
        note += (
            f" Side shift of the mandible {signed(float(error.patient.side_shift_mm[-1]), 2)} mm, "
            f"on the articulator {signed(float(error.articulator.side_shift_mm[-1]), 2)} mm "
            "(+ to the left)."
        )
    words = KIND_LABEL[kind]
    return Table(
        f"{words[0].upper()}{words[1:]}: error at the end, worst teeth",
        ("landmark", "size, µm", "antero-posterior, µm", "transverse, µm", "vertical, µm",
         "high (+) open (−), µm", "descent, patient, °", "descent, articulator, °",
         "heading, patient, °", "heading, articulator, °"),
        (False, *[True] * 9),
        tuple(rows),
        note,
    )  # fmt: skip


def settings_table(e: ExcursionErrors) -> Table:
    """Guidance of the patient, and as set on the articulator."""

    def value(settings: object, left: str, right: str | None) -> str:
        ends = [getattr(settings, n) for n in (left, right) if n is not None]
        texts = [NONE if v is None else plain(float(v), 1) for v in ends]
        if len(texts) == 2 and texts[0] != texts[1]:
            return f"left {texts[0]}, right {texts[1]}"
        return texts[0]

    return Table(
        "Guidance that the excursions were computed with",
        ("setting", "patient", "articulator"),
        (False, True, True),
        tuple(
            (what, value(e.settings, *names), value(e.articulator_settings, *names))
            for what, *names in SETTING_ROWS
        ),
        "A dash at the radius: the guide is flat.",
    )
