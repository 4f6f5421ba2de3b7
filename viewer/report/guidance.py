"""Words and tables of the guidance settings: given, from records, by rule, averages."""

from __future__ import annotations

from typing import TYPE_CHECKING

from kinematics.articulator.records import RECORD_LABEL
from viewer.look.text import NONE, plain
from viewer.report.tables import Table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from kinematics.case.read import Case
    from kinematics.case.tables import ArticulatorTable
    from kinematics.excursions.results import CaseGuidance, ExcursionErrors

BENNETT = {"bennett_left_deg": "left", "bennett_right_deg": "right"}
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
AVERAGE = "average, not of this patient"
NOT_GIVEN = {
    "intercondylar_mm": "distance of the true-axis points",
    "immediate_side_shift_left_mm": "not given: none",
    "guide_radius_left_mm": "not given: flat",
    "incisal_sagittal_deg": "not given: flat",
    "incisal_lateral_deg": "not given: flat",
}
"""What stands for a setting that is not given, where that is no average."""


def rule_sentence(case: Case) -> str:
    """Say that Bennett angles follow the rule, where the case asks for it; or empty."""
    table = case.articulator
    if table is None or not table.bennett_rule:
        return ""
    by_record = {name for record in table.records for name in BENNETT if record.tells(name)}
    known = {*table.given(), *by_record}
    sides = [side for name, side in BENNETT.items() if name not in known]
    if not sides:
        return ""
    return (
        f"Bennett angle of the {' and '.join(sides)} side: by the rule L = H / 8 + 12 from the "
        "sagittal condylar inclination (as quoted by Bhawsar et al., J Indian Prosthodont Soc "
        "2015); a rule of thumb, not a measurement."
    )


def setting_sources(
    table: ArticulatorTable | None, guidance: CaseGuidance | None
) -> dict[str, str]:
    """Where each setting of the patient's guidance comes from, by field; averages are left out."""
    if table is None:
        return {}
    rule = dict.fromkeys(BENNETT if table.bennett_rule else (), "rule L = H / 8 + 12")
    told = dict.fromkeys(() if guidance is None else guidance.patient.told, "record")
    return {**rule, **told, **dict.fromkeys(table.given(), "the case")}


def record_table(guidance: CaseGuidance) -> Table:
    """What each guidance record tells about the true axis, and about the arbitrary one."""
    other = guidance.articulator
    rows = []
    for i, guide in enumerate(guidance.patient.guides):
        there = None if other is None else other.guides[i]
        rows.append(
            (
                f"{RECORD_LABEL[guide.record]}, {guide.side} side",
                plain(guide.forward_mm, 2),
                plain(guide.down_mm, 2),
                plain(guide.medial_mm, 2),
                plain(guide.inclination_deg, 1),
                NONE if there is None else plain(there.inclination_deg, 1),
                NONE if guide.bennett_deg is None else plain(guide.bennett_deg, 1),
                NONE if there is None or there.bennett_deg is None else plain(there.bennett_deg, 1),
                plain(guide.inclination_error_deg, 1),
            )
        )
    note = (
        "Way of the condylar element on the true axis, and the settings that put it on its guide; "
        "on the arbitrary axis the same record tells other settings. A record holds one position: "
        "it cannot tell a curved guide from a flat one, nor immediate from progressive side "
        "shift. Last column: change of the inclination for 0.1 mm of error at the element."
    )
    if other is not None:
        found = [f"{f.message[0].upper()}{f.message[1:]}." for f in other.findings]
        note += "".join(f" On the arbitrary axis: {words}" for words in found)
    return Table(
        "What the guidance records tell",
        ("record", "forwards, mm", "down, mm", "medially, mm", "inclination, true axis, °",
         "inclination, arbitrary axis, °", "Bennett angle, true axis, °",
         "Bennett angle, arbitrary axis, °", "per 0.1 mm, °"),
        (False, *[True] * 8),
        tuple(rows),
        note,
    )  # fmt: skip


def guide_sentences(guidance: CaseGuidance) -> list[str]:
    """What the terminal says of each record: the settings that it tells."""
    said = []
    for i, guide in enumerate(guidance.patient.guides):
        units = [("true axis", guide)]
        if guidance.articulator is not None:
            units.append(("arbitrary axis", guidance.articulator.guides[i]))
        texts = [
            f"{axis} {plain(g.inclination_deg, 1)}°"
            + ("" if g.bennett_deg is None else f" (Bennett angle {plain(g.bennett_deg, 1)}°)")
            for axis, g in units
        ]
        said.append(
            f"The {RECORD_LABEL[guide.record]} record tells, {guide.side} side, a sagittal "
            f"condylar inclination of: {', '.join(texts)}; ±{plain(guide.inclination_error_deg, 1)}"
            "° for 0.1 mm of error at the element."
        )
    return said


def record_sentence(guidance: CaseGuidance) -> str:
    """One sentence: how far the settings from records differ between the two axes; or empty."""
    if guidance.articulator is None:
        return ""
    found = [
        (abs(there - here), name, here, there)
        for name in guidance.patient.told
        for here, there in [
            (
                float(getattr(guidance.patient.settings, name)),
                float(getattr(guidance.articulator.settings, name)),
            )
        ]
    ]
    _, name, here, there = max(found)
    what = next(words for words, *names in SETTING_ROWS if name in names).removesuffix(", °")
    side = "left" if "_left" in name else "right"
    return (
        f"On the arbitrary axis the records set other angles than on the true one: {what} "
        f"{side} {plain(there, 1)}° in place of {plain(here, 1)}° (the largest difference)."
    )


def both_sides(texts: list[str]) -> str:
    """What holds of the left and of the right side, once where it is the same."""
    return texts[0] if len(set(texts)) == 1 else f"left {texts[0]}, right {texts[1]}"


def settings_table(e: ExcursionErrors, sources: Mapping[str, str]) -> Table:
    """Guidance of the patient, where it is from, and as set on the articulator.

    Parameters
    ----------
    e : ExcursionErrors
    sources : mapping
        From :func:`setting_sources`.
    """

    def value(settings: object, left: str, right: str | None) -> str:
        ends = [getattr(settings, n) for n in (left, right) if n is not None]
        return both_sides([NONE if v is None else plain(float(v), 1) for v in ends])

    def source(left: str, right: str | None) -> str:
        missing = NOT_GIVEN.get(left, AVERAGE)
        return both_sides([sources.get(n, missing) for n in (left, right) if n is not None])

    return Table(
        "Guidance that the excursions were computed with",
        ("setting", "patient", "articulator", "where the patient's is from"),
        (False, True, True, False),
        tuple(
            (
                what,
                value(e.settings, *names),
                value(e.articulator_settings, *names),
                source(*names),
            )
            for what, *names in SETTING_ROWS
        ),
        "A dash at the radius: the guide is flat.",
    )
