"""A one-page form for the clinic (HTML, printable) with the fields of the case file."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import jinja2

from kinematics.base.words import CAUTION
from kinematics.case.template import template

ROOMY_LINES = 30
"""Up to so many lines a sheet has high ones (ours; more would take a second page)."""


@dataclass(frozen=True)
class Field:
    """One line to fill in: words for the reader, and the key of the case file that takes it."""

    words: str
    key: str
    unit: str = "mm"


@dataclass(frozen=True)
class Section:
    """A group of lines; with ``columns`` the keys hold one ``{}`` for each column's name.

    With ``rows`` the fields are columns of a table with that many empty lines; a ``wide`` section
    takes the whole width of the page.
    """

    title: str
    hint: str
    fields: tuple[Field, ...]
    columns: tuple[str, ...] = ()
    rows: int = 0
    wide: bool = False


_SIDES = ("left", "right")
_MOUNTING = {
    "axis_points": Section(
        "Axis points in the upper scan",
        "Read in the scanning program; x, y, z.",
        (
            Field("Left axis point (x, y, z)", "mounting.left_point_mm", "mm"),
            Field("Right axis point (x, y, z)", "mounting.right_point_mm", "mm"),
            Field("Third reference point (x, y, z)", "mounting.third_point_mm", "mm"),
            Field("Axis they lie on: true or arbitrary", "mounting.axis", ""),
            Field("Standard uncertainty of a coordinate", "mounting.sd_mm"),
        ),
    ),
    "fiducials": Section(
        "Points known in both frames",
        "Three or more, spread wide, not on a line; x, y, z.",
        (
            Field("Name", "mounting.fiducials.name", ""),
            Field("In the upper scan", "mounting.fiducials.upper_scan_mm"),
            Field("Against the axis", "mounting.fiducials.axis_orbital_mm"),
        ),
        rows=5,
        wide=True,
    ),
    "matrix": Section(
        "Matrix from the scanner or tracker",
        "Note the file that holds it; all 16 numbers in full digits.",
        (
            Field("File", "mounting.axis_orbital_from_upper_scan", ""),
            Field("Standard uncertainty, turn", "mounting.rotation_sd_deg", "deg"),
            Field("Standard uncertainty, shift", "mounting.translation_sd_mm"),
        ),
    ),
    "located_axis": Section(
        "Openings for locating the axis",
        "Scan the lower at two or more pure hinge openings, each in the frame of the upper scan.",
        (
            Field("Name of the opening", "mounting.openings.name", ""),
            Field("Opening, roughly", "mounting.openings.opening_deg", "degrees"),
            Field("Scan file", "mounting.openings.file", ""),
        ),
        rows=4,
    ),
    "distances": Section(
        "Caliper readings",
        "Distance between two points; or height above the axis-orbital plane, anterior of the "
        "axis, left of the midline (negative the other way). Take two more than needed.",
        (
            Field("Kind", "mounting.readings.kind", ""),
            Field("From (or of)", "mounting.readings.from", ""),
            Field("To", "mounting.readings.to", ""),
            Field("Reading", "mounting.readings.mm"),
            Field("Repeat or sd", "mounting.readings.sd_mm"),
        ),
        rows=9,
        wide=True,
    ),
    "average": Section(
        "Average mounting",
        "Nothing is measured; leave the averages unless the patient's own values are known.",
        (
            Field("Bonwill arm (103.3)", "mounting.bonwill_arm_mm"),
            Field("Bonwill base (99.6)", "mounting.bonwill_base_mm"),
            Field("Balkwill angle (20.4)", "mounting.balkwill_deg", "deg"),
        ),
    ),
}
_POINTS = Section(
    "Points that the calipers touch",
    "As named in the readings; x, y, z from the scanning program.",
    (
        Field("Name", "mounting.points.name", ""),
        Field("Tooth, ISO", "mounting.points.tooth", ""),
        Field("In the upper scan (x, y, z)", "mounting.points.upper_scan_mm"),
    ),
    rows=4,
)
_REFERENCE = Section(
    "Third reference point in the upper scan",
    "",
    (
        Field("x, y, z", "mounting.third_point_mm"),
        Field("Direction to the patient's left (x, y, z)", "mounting.left", ""),
    ),
)
_LANDMARKS = Section(
    "Landmarks on the lower",
    "Second molars and an incisal edge at least; or pick them later.",
    (
        Field("Name", "landmarks.name", ""),
        Field("Tooth, ISO", "landmarks.tooth", ""),
        Field("In the lower scan (x, y, z)", "landmarks.point_mm"),
    ),
    rows=4,
)
_OFFSETS = Section(
    "Arbitrary point, from the located point",
    "Anterior and superior positive.",
    (
        Field("Anterior", "arbitrary_axis.{}_anterior_mm"),
        Field("Superior", "arbitrary_axis.{}_superior_mm"),
    ),
    _SIDES,
)
_MARKS = Section(
    "Marks on the skin",
    "Both marks of a side from one landmark of it; anterior, superior +.",
    (
        Field("Arbitrary mark, anterior", "marks.{}_arbitrary_anterior_mm"),
        Field("Arbitrary mark, superior", "marks.{}_arbitrary_superior_mm"),
        Field("Located mark, anterior", "marks.{}_located_anterior_mm"),
        Field("Located mark, superior", "marks.{}_located_superior_mm"),
    ),
    _SIDES,
)
_FACE = Section(
    "Face and stand",
    "",
    (
        Field("Landmark of the ruler's zero", "marks.face_landmark", ""),
        Field("Facial width at the located marks", "marks.facial_width_mm"),
        Field("Width of the mounting stand", "marks.stand_width_mm"),
        Field("Ruler above the axis-orbital plane", "marks.ruler_tilt_deg", "deg"),
    ),
)
_WIDTH = Section("Axis", "", (Field("Distance of the two true axis points", "true_axis.width_mm"),))
_THIRD = Section(
    "Third reference point",
    "",
    (
        Field("Orbitale, nasion or incisal edge", "third_point.kind", ""),
        Field("Below nasion", "third_point.below_nasion_mm"),
        Field("Above the incisal edge", "third_point.incisal_height_mm"),
        Field("Distance from the axis", "third_point.reach_mm"),
        Field("Used too high by (negative: too low)", "third_point.error_superior_mm"),
        Field("Standard uncertainty of its height", "third_point.sd_superior_mm"),
    ),
)
_RECORD = Section(
    "Record and plan",
    "Openings are counted from the scanned pose; a raise is positive.",
    (
        Field("Lower scanned: intercuspation, record", "casts.scanned_at", ""),
        Field("Interocclusal record's thickness", "record.thickness_mm"),
        Field("measured at (incisors, pin or tooth)", "record.site", ""),
        Field("Planned change of the vertical", "target.vdo_change_mm"),
        Field("measured at", "target.site", ""),
        Field("Tolerance (0.1, 0.2, 0.3 or 0.5)", "decision.tolerance_mm"),
    ),
)
_FROM_RECORD = "Openings are counted from the record as scanned (1 mm under a 3 mm record: −2)."
_PIN = Section("Incisal pin", "", (Field("Tip against the axis (x, y, z)", "pin.tip_mm", "mm"),))
_ARTICULATOR = Section(
    "Articulator settings",
    "",
    (
        Field("Sagittal condylar inclination", "articulator.sagittal_inclination_{}_deg", "deg"),
        Field("Bennett angle", "articulator.bennett_{}_deg", "deg"),
        Field("Immediate side shift", "articulator.immediate_side_shift_{}_mm"),
    ),
    _SIDES,
)

_FRONT = Section(
    "Incisal table and front",
    "",
    (
        Field("Table, sagittal", "articulator.incisal_sagittal_deg", "deg"),
        Field("Table, lateral", "articulator.incisal_lateral_deg", "deg"),
        Field("Distance of the condylar elements", "articulator.intercondylar_mm"),
        Field("Front guided by: pin, teeth or first", "articulator.front", ""),
    ),
)
_GUIDANCE = Section(
    "Guidance records: scan file of each",
    "About 5 mm from intercuspation; scans of the lower in the frame of the upper scan.",
    tuple(
        Field(words, "articulator.records.file", "")
        for words in ("Protrusive", "Left lateral", "Right lateral")
    ),
    rows=1,
)
_UNCERTAINTY = Section(
    "How sure",
    "Standard uncertainties; first, where the arbitrary point's come from.",
    (
        Field("Measured, study, normal or disc", "uncertainty.arbitrary_axis", ""),
        Field("Study", "uncertainty.study", ""),
        Field("Arbitrary point, anterior", "uncertainty.sd_anterior_mm"),
        Field("Arbitrary point, superior", "uncertainty.sd_superior_mm"),
        Field("Located point, each way and side", "uncertainty.true_axis_sd_mm"),
        Field("Record's thickness", "uncertainty.record_thickness_sd_mm"),
        Field("Vertical dimension reached", "uncertainty.target_sd_mm"),
    ),
)

_PAGE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
    """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<title>Recording sheet: {{ label }}</title>
<style>
@page { size: A4; margin: 7mm 10mm; } @media screen { body { padding: 8mm 0; } }
body { font: 8.5pt/1.15 sans-serif; color: #111; max-width: 190mm; margin: 0 auto; }
h1 { font-size: 13pt; margin: 0 0 1mm; } h2 { font-size: 10pt; margin: 0 0 .3mm; }
p { margin: 0 0 1mm; } .hint { color: #444; font-size: 8pt; margin-bottom: .6mm; }
section { break-inside: avoid; margin-bottom: 1.4mm; }
.pair { columns: 2; column-gap: 5mm; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; }
td, th { border: .25mm solid #888; padding: .3mm 1.2mm; text-align: left; font-weight: normal; }
tr { height: {{ 8 if roomy else 4.65 }}mm; } th { background: #f1f1f1; font-size: 8pt; }
.words { width: 55mm; } .unit { width: 8mm; color: #444; padding: .3mm .8mm; }
code { display: block; font-size: 5.8pt; line-height: 1; color: #555; overflow-wrap: anywhere; }
footer { border-top: .25mm solid #888; padding-top: 1mm; font-size: 8pt; }
</style></head><body>
<h1>Recording sheet: {{ label }}</h1>
<p>Pseudonym only, never a name. Date: __________ By (initials): __________ Left and right are the
patient's; lengths in mm.</p>
{% macro section(s) %}
<section><h2>{{ s.title }}</h2>
{% if s.hint %}<p class="hint">{{ s.hint }}</p>{% endif %}
<table>
{% if s.rows %}
<tr>{% for f in s.fields %}<th>{{ f.words }}{{ ", " ~ f.unit if f.unit else "" }}
<code>{{ f.key }}</code></th>{% endfor %}</tr>
{% for _ in range(s.rows) %}
<tr>{% for f in s.fields %}<td>&nbsp;</td>{% endfor %}</tr>
{% endfor %}
{% else %}
{% if s.columns %}
<tr><th class="words"></th>{% for c in s.columns %}<th>{{ c }}</th>{% endfor %}
<th class="unit"></th></tr>
{% endif %}
{% for f in s.fields %}
<tr><td class="words">{{ f.words }}<code>{{ f.key.format("*") }}</code></td>
{% for c in s.columns or [""] %}<td>&nbsp;</td>{% endfor %}<td class="unit">{{ f.unit }}</td></tr>
{% endfor %}
{% endif %}
</table></section>
{% endmacro %}
{% for s in sections if s.wide %}{{ section(s) }}{% endfor %}
<div class="pair">{% for s in sections if not s.wide %}{{ section(s) }}{% endfor %}</div>
<footer>{{ caution }}</footer>
</body></html>
"""
)


def sections_for(kind: str, measurements: Collection[str] = ()) -> list[Section]:
    """Return the sections of the sheet for a mounting and the measurements that exist.

    Parameters
    ----------
    kind, measurements
        As :func:`kinematics.case.template.template`, whose case takes the readings.

    Raises
    ------
    InputError
        Unknown kind or measurement.
    """
    template(kind, measurements)  # refuses what it does not know
    out = [_MOUNTING[kind]] if kind in _MOUNTING else []
    out += {"distances": [_POINTS], "located_axis": [_REFERENCE]}.get(kind, [])
    if "marks" in measurements:
        out += [_MARKS, _FACE]
    else:
        out += [_WIDTH] if kind not in ("axis_points", "located_axis") else []
        out += [_OFFSETS] if "located_axis" in measurements else []
    for name, *sections in (
        ("third_point", _THIRD),
        ("pin", _PIN),
        ("articulator", _ARTICULATOR, _FRONT),
        ("guidance_records", _GUIDANCE),
        ("uncertainty", _UNCERTAINTY),
    ):
        if name in measurements:
            out += sections
    if {"articulator", "guidance_records"} <= set(measurements):
        words = {  # what the records tell is refused beside them
            "articulator.sagittal_inclination_{}_deg": "",
            "articulator.bennett_{}_deg": "Bennett angle, without lateral record",
        }
        kept = [replace(f, words=words.get(f.key, f.words)) for f in _ARTICULATOR.fields]
        rest = tuple(f for f in kept if f.words)
        out[out.index(_ARTICULATOR)] = replace(_ARTICULATOR, fields=rest)
    scanned = kind != "none" and "scanned_at_record" in measurements
    return [*out, _LANDMARKS, replace(_RECORD, hint=_FROM_RECORD) if scanned else _RECORD]


def recording_sheet_html(
    kind: str, measurements: Collection[str] = (), label: str = "________________"
) -> str:
    """Return the sheet as one HTML page that needs no other file.

    Parameters
    ----------
    kind, measurements
        As :func:`sections_for`.
    label : str
        Pseudonymous case label; escaped.
    """
    sections = sections_for(kind, measurements)
    lines = sum(s.rows or len(s.fields) for s in sections)
    roomy = lines <= ROOMY_LINES
    return str(_PAGE.render(label=label, sections=sections, caution=CAUTION, roomy=roomy))
