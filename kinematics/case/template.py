"""Commented case files to fill in, for whichever measurements exist."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping

from kinematics.base.errors import InputError
from kinematics.base.words import CAUTIONS
from kinematics.case.examples import example_distances, example_openings, example_records

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

_HEAD = """\
# A case for hingewise. Every number below is an example: replace it with your own.
{cautions}
# Units are in the key names. Opening is positive. Frame axis_orbital: origin midway between
# the true axis points, +x anterior, +y to the patient's left, +z superior.
schema = "hingewise-case/1"
label = "case 1"                       # a pseudonym, never a name
"""
_CASTS = """
[casts]
upper = "upper.ply"                    # STL, PLY, OBJ or OFF, in this folder or below it
lower = "lower.ply"
unit = "mm"                            # of the mesh files: mm | cm | m | inch
scanned_at = "{scanned_at}"  # pose of the lower in its file: intercuspation | record
# upper_scan_from_lower_scan = [[1,0,0,0],[0,1,0,0],[0,0,1,0],[0,0,0,1]]  # if they differ
# allow_outside = true                 # permits files outside this folder
"""
_MOUNTING = {
    "axis_points": """
[mounting]                             # points in the upper scan's frame, mm
method = "axis_points"
axis = "{axis}"                    # which axis these points lie on: true | arbitrary
left_point_mm = [0.0, 55.0, 0.0]
right_point_mm = [0.0, -55.0, 0.0]
third_point_mm = [80.0, 30.0, 0.0]     # orbitale or another anterior reference point
# sd_mm = 0.5                          # standard uncertainty of each coordinate
""",
    "fiducials": """
[mounting]                             # three or more points, well spread
method = "fiducials"
# sd_mm = 0.3                          # standard uncertainty of each coordinate, if known
[[mounting.fiducials]]
name = "right molar marker"
upper_scan_mm = [45.0, -25.0, -35.0]
axis_orbital_mm = [45.0, -25.0, -35.0]
[[mounting.fiducials]]
name = "left molar marker"
upper_scan_mm = [45.0, 25.0, -35.0]
axis_orbital_mm = [45.0, 25.0, -35.0]
[[mounting.fiducials]]
name = "front marker"
upper_scan_mm = [90.0, 0.0, -38.0]
axis_orbital_mm = [90.0, 0.0, -38.0]
[[mounting.fiducials]]
name = "palate marker"
upper_scan_mm = [65.0, 0.0, -22.0]
axis_orbital_mm = [65.0, 0.0, -22.0]
""",
    "matrix": """
[mounting]                             # rigid motion, translation in mm in the last column
method = "matrix"
axis_orbital_from_upper_scan = [
  [1.0, 0.0, 0.0, 0.0],
  [0.0, 1.0, 0.0, 0.0],
  [0.0, 0.0, 1.0, 0.0],
  [0.0, 0.0, 0.0, 1.0],
]
# rotation_sd_deg = 0.5
# translation_sd_mm = 0.5
""",
    "located_axis": """
[mounting]                             # the true axis is computed from the recordings below
method = "located_axis"
left = [0.0, 1.0, 0.0]                 # rough direction to the patient's left, upper scan
third_point_mm = [80.0, 30.0, 0.0]     # orbitale or another anterior reference point, upper scan
registration_rms_mm = 0.05             # 3-D error of a registration at the arch, if known
reference_points_mm = [                # where the fit is judged; leave out: the lower cast itself
  [90.0, 0.0, -38.0], [46.0, 25.0, -35.0], [46.0, -25.0, -35.0],
]
[[mounting.openings]]                  # pure hinge opening; wider than 3 degrees is far better
name = "first opening"
opening_deg = 5.0                      # roughly, if known
# file = "lower_open_1.stl"            # the lower scanned at this opening, instead of its pose
upper_scan_from_lower_scan = {openings[0]}
[[mounting.openings]]
name = "second opening"
opening_deg = 9.0
# file = "lower_open_2.stl"
upper_scan_from_lower_scan = {openings[1]}
""",
    "average": """
[mounting]                             # averages, not this patient
method = "average"
bonwill_arm_mm = 103.3                 # published mean, 90.2 to 117.9 (CBCT, n = 120)
bonwill_base_mm = 99.6                 # between the condyles, 85.2 to 112.6 (same study)
balkwill_deg = 20.4                    # published mean, 9.0 to 27.6 (same study)
occlusal_to_axis_orbital_deg = 13.6    # turns the frame, not the hinge error
incisal_point_mm = [92.0, 0.0, -38.0]      # lower scan; leave out all three points
left_molar_point_mm = [45.0, 25.0, -35.0]  # if [[landmarks]] name them
right_molar_point_mm = [45.0, -25.0, -35.0]  # distobuccal cusps of 37 and 47
""",
    "distances": """
[mounting]                             # caliper readings; more than needed, so they check
method = "distances"
axis = "{axis}"                    # which axis the axis points lie on: true | arbitrary
[[mounting.points]]                    # points of the upper cast, in the upper scan, mm
name = "11 incisal edge"
tooth = 11
upper_scan_mm = [92.0, -4.0, -38.0]
[[mounting.points]]
name = "16 mesiobuccal cusp"
tooth = 16
upper_scan_mm = [58.0, -26.0, -36.0]
[[mounting.points]]
name = "26 mesiobuccal cusp"
tooth = 26
upper_scan_mm = [58.0, 26.0, -36.0]
# kind: distance (from, to) | height above the axis-orbital plane | anterior of the axis
#       | left of the midline (each of one point; negative the other way)
# points: left_axis_point, right_axis_point, third_point, and those above
[[mounting.readings]]
kind = "distance"
from = "left_axis_point"
to = "11 incisal edge"
mm = {d[0]}
sd_mm = 0.5                            # standard uncertainty of the reading
[[mounting.readings]]
kind = "distance"
from = "right_axis_point"
to = "11 incisal edge"
mm = {d[1]}
[[mounting.readings]]
kind = "distance"
from = "left_axis_point"
to = "16 mesiobuccal cusp"
mm = {d[2]}
[[mounting.readings]]
kind = "distance"
from = "right_axis_point"
to = "16 mesiobuccal cusp"
mm = {d[3]}
[[mounting.readings]]
kind = "distance"
from = "left_axis_point"
to = "26 mesiobuccal cusp"
mm = {d[4]}
[[mounting.readings]]
kind = "distance"
from = "right_axis_point"
to = "26 mesiobuccal cusp"
mm = {d[5]}
[[mounting.readings]]
kind = "height"
of = "11 incisal edge"
mm = -38.0
[[mounting.readings]]
kind = "height"
of = "16 mesiobuccal cusp"
mm = -36.0
[[mounting.readings]]
kind = "height"
of = "26 mesiobuccal cusp"
mm = -36.0
""",
    "none": "",
}
_WIDTH = """
[true_axis]
width_mm = 110.0                       # distance of the two axis points
"""
_ARBITRARY = """
[arbitrary_axis]                       # arbitrary point seen from the true one, by side
left_anterior_mm = {0}
left_superior_mm = {1}
right_anterior_mm = {2}
right_superior_mm = {3}
"""
_MARKS = """
[marks]                                # both marks of a side, from one landmark of that side
face_landmark = "tragus"
left_arbitrary_anterior_mm = 13.0
left_arbitrary_superior_mm = 0.0
left_located_anterior_mm = 10.0
left_located_superior_mm = 2.0
right_arbitrary_anterior_mm = 13.0
right_arbitrary_superior_mm = 0.0
right_located_anterior_mm = 9.0
right_located_superior_mm = 1.0
facial_width_mm = 140.0                # between the two located marks
# stand_width_mm = 130.0               # mounting stand; gives the side extension
# ruler_tilt_deg = 0.0                 # ruler's front end above the axis-orbital plane
"""
_THIRD = """
[third_point]
kind = "orbitale"                      # orbitale | below_nasion | incisal_height
# below_nasion_mm = 23.0               # with below_nasion
# incisal_height_mm = 43.0             # with incisal_height: above the incisal edge
reach_mm = 80.0                        # its distance from the axis
error_superior_mm = 3.0                # positive: the point used was too high
"""
_RECORD = {
    "scanned": "\n[record]\nas_scanned = true                      # the lower was scanned in it\n",
    "thick": """
[record]                               # one form only
thickness_mm = 3.0
site = "{site}"                     # incisors | pin | a landmark's name
# opening_deg = 2.0
""",
}
_TARGET = """
[target]                               # one form only; from the {pose} pose, raise positive
vdo_change_mm = {vdo}
site = "incisors"
# opening_deg = 0.0
# as_scanned = true
# first_contact = true                 # teeth together about the true axis, from the record
"""
_COUNTED = {
    True: ("record", "-2.0                   # planned raise less the record: 1 mm under 3 mm"),
    False: ("scanned", "2.0"),
}
"""Whether the casts were scanned in the record; the pose that counts, and the example."""
_PIN = """
[pin]
tip_mm = [130.0, 0.0, -35.0]           # axis_orbital, at the scanned pose
"""
_DECISION = """
[decision]
tolerance_mm = 0.3                     # no consensus: 0.1, 0.2, 0.3 and 0.5 are in use
stop = "pin"                           # equal_angle | pin | contact
"""
_ARTICULATOR = """
[articulator]                          # leave out what is not known
intercondylar_mm = 110.0
{angles}# bennett_rule = true                  # where none is given: L = H / 8 + 12, a rule
immediate_side_shift_left_mm = 0.0
immediate_side_shift_right_mm = 0.0
incisal_sagittal_deg = 10.0
incisal_lateral_deg = 10.0
# guide_radius_left_mm = 20.0          # of a curved guide; leave out for a flat one
# guide_radius_right_mm = 20.0
front = "pin"                          # pin (on its table) | teeth | first (whichever meets first);
                                       # teeth and first need [casts]
{records}"""
_ANGLES = """\
sagittal_inclination_left_deg = 40.0
sagittal_inclination_right_deg = 40.0
bennett_left_deg = 8.0
bennett_right_deg = 8.0
"""
_RECORDS = """\
settings_from = "records"              # records (as they set it on the arbitrary axis)
                                       # | same_angles (the patient's, told about the true axis)
[[articulator.records]]                # about 5 mm from intercuspation
kind = "protrusive"                    # sagittal inclination of both sides
# file = "lower_protrusive.stl"        # the lower scanned in this record, instead of its pose
upper_scan_from_lower_scan = {poses[0]}
[[articulator.records]]
kind = "left_lateral"                  # tells the right side, which orbits: its Bennett angle
# file = "lower_left_lateral.stl"
upper_scan_from_lower_scan = {poses[1]}
[[articulator.records]]
kind = "right_lateral"                 # tells the left side
# file = "lower_right_lateral.stl"
upper_scan_from_lower_scan = {poses[2]}
"""
_UNCERTAINTY = {
    True: """
[uncertainty]
arbitrary_axis = "measured"            # measured | study | normal | disc | empirical
{located}record_thickness_sd_mm = 0.1
coverage = 0.95
seed = 1
""",
    False: """
[uncertainty]                          # the arbitrary axis was never compared on this patient
arbitrary_axis = "normal"              # measured | study | normal | disc | empirical
sd_anterior_mm = 3.0                   # published studies differ from 1 to 8 mm: choose
sd_superior_mm = 3.0
{located}record_thickness_sd_mm = 0.1
coverage = 0.95
seed = 1
""",
}
_LOCATED_SD = """\
true_axis_sd_mm = 1.0                  # located axis, each way and side (published: within 2.4 mm)
"""
_RECORDED_SD = "# true_axis_sd_mm is not used: the recordings tell how sure the located axis is\n"
_LANDMARKS = """
[[landmarks]]                          # {frame}, mm{note}
name = "incisal point"
tooth = 31
point_mm = [90.0, 0.0, -38.0]
[[landmarks]]
name = "37 distobuccal cusp"
tooth = 37
point_mm = [46.0, 25.0, -35.0]
[[landmarks]]
name = "47 distobuccal cusp"
tooth = 47
point_mm = [46.0, -25.0, -35.0]
"""


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
    _known(kind, MOUNTINGS, "mounting")
    for name in sorted(chosen):
        _known(name, MEASUREMENTS, "measurement")
    compared = bool(chosen & {"located_axis", "marks"})
    casts = kind != "none"
    scanned = casts and "scanned_at_record" in chosen
    parts = [_HEAD.replace("{cautions}", "\n".join(f"# {line}" for line in CAUTIONS))]
    if casts:
        pose = "record" if scanned else "intercuspation"
        parts.append(_CASTS.format(scanned_at=pose))
    axis = "true" if compared else "arbitrary"
    distances = example_distances(70.0 if "marks" in chosen else 55.0)
    parts.append(_MOUNTING[kind].format(axis=axis, d=distances, openings=example_openings()))
    if "marks" in chosen:
        parts.append(_MARKS)
    else:
        if kind not in ("axis_points", "located_axis"):
            parts.append(_WIDTH)
        offsets = (4.0, -3.0, 5.5, -1.0) if compared else (0.0, 0.0, 0.0, 0.0)
        parts.append(_ARBITRARY.format(*offsets))
    if "third_point" in chosen:
        parts.append(_THIRD)
    parts.append(_RECORD["scanned"] if scanned else _RECORD["thick"].format(site="incisors"))
    pose, vdo = _COUNTED[scanned]
    parts.append(_TARGET.format(pose=pose, vdo=vdo))
    if "pin" in chosen:
        parts.append(_PIN)
    parts.append(_DECISION)
    recorded = casts and "guidance_records" in chosen
    if recorded or "articulator" in chosen:
        records = _RECORDS.format(poses=example_records()) if recorded else ""
        parts.append(_ARTICULATOR.format(angles="" if recorded else _ANGLES, records=records))
    if "uncertainty" in chosen or not compared:
        located = _RECORDED_SD if kind == "located_axis" else _LOCATED_SD
        parts.append(_UNCERTAINTY[compared].format(located=located))
    frame = "lower_scan" if casts else "axis_orbital"
    note = "; found by itself on casts with tooth labels" if casts else ""
    parts.append(_LANDMARKS.format(frame=frame, note=note))
    return "".join(parts)


def _known(name: str, choices: Mapping[str, str], what: str) -> None:
    if name in choices:
        return
    near = difflib.get_close_matches(name, choices, n=1, cutoff=0.4)
    meanings = "; ".join(f"{choice}: {words}" for choice, words in choices.items())
    hint = f"Did you mean {near[0]!r}?" if near else f"Choose by what it means. {meanings}."
    raise InputError(what, repr(name), f"one of {', '.join(choices)}", hint)
