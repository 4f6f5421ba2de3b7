"""Title and text of every picture and figure of the report."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from viewer.figures.draw import to_svg

PLATE_TEXT = {
    "oblique": (
        "Casts at the target, with both axes",
        "Seen from the front and the patient's left, at true scale. Thin arcs continue the path of "
        "a molar and an incisor beyond record and target, solid about the true axis, dashed about "
        "the arbitrary one.",
    ),
    "left": (
        "The same from the patient's left, see-through",
        "First contacts and landmarks lie inside the outline; each landmark is drawn twice, in the "
        "mouth and on the articulator.",
    ),
    "occlusal": (
        "High and open areas of the lower",
        "Onto the lower's occlusal surface. A restoration made on the articulator is high in the "
        "mouth where the map is magenta, and leaves the teeth apart where it is green.",
    ),
}
"""Of the pictures of the casts, by view."""
FIGURE_TEXT = {
    "arcs": (
        "Two hinges, two arcs",
        "From the same record, each hinge carries a tooth along its own arc. Left: true scale. "
        "Right: the difference between the arcs multiplied by the factor written there.",
    ),
    "departure": (
        "Error against departure",
        "The departure is how far the target lies from the record. At 0 there is no error, "
        "whatever the axis.",
    ),
    "teeth": (
        "Error at every tooth",
        "Above: size of the error at each tooth, by what stops the articulator; an arrow in the "
        "legend marks a line that runs out of the picture. Below: its parts at the stop that the "
        "verdict is about.",
    ),
    "arch": (
        "Error over the arch",
        "Onto the lower, incisors below. The colour and the number tell high or open; the arrow "
        "tells where the articulator puts the tooth instead of the mouth.",
    ),
    "probability": (
        "Chance of leaving the tolerance, tooth by tooth",
        "At the landmark of each tooth where the chance is largest; on the right, that it happens "
        "at any landmark of the arch. Bars show the axis as it is transferred and the axis located "
        "on the patient.",
    ),
    "worst": (
        "How far the largest error spreads",
        "The largest error on the arch in each trial. Green ground: within your tolerance; rose: "
        "beyond.",
    ),
    "decision": (
        "Departure against axis error",
        "Along: how far the target lies from the record. Up: how far each arbitrary point lies "
        "from the true axis, in the direction that is worst for this patient. Left of the dotted "
        "line the tolerance holds whichever way the points are off. A case's own direction is "
        "usually milder than the worst.",
    ),
    "ranking": (
        "Share of each uncertain input",
        "Part of each uncertain input in the variance of the largest error: by itself, and "
        "together with other inputs. The parts together can exceed 100 %, since a joint effect "
        "counts for each input in it.",
    ),
    "paths": (
        "Paths of the tooth that errs most",
        "From where the patient's path starts, at true scale. Solid: the patient, about the true "
        "axis. Dashed: the articulator, with the casts as they were transferred to it.",
    ),
    "error": (
        "Error along each excursion",
        "Distance between where the articulator carries a tooth and where it goes in the patient, "
        "at the same way of the condyles. One line a landmark; the worst is drawn strongly.",
    ),
    "contacts": (
        "Where along the way each tooth touches",
        "Lower teeth that come within 50 µm of the upper after the start. Above, in each row: in "
        "the mouth; below: on the articulator. A magenta core: the tooth would reach into the "
        "upper, so that one of the two is in the way.",
    ),
    "clearance": (
        "Clearance at the end of each excursion",
        "Onto the lower, incisors below, in mm from each point to the upper cast. Dark green: "
        "touching, ringed where nearest; pale: clear by 3 mm and more; magenta: through the upper. "
        "Grey shades show the relief only.",
    ),
    "traces": (
        "Paths that the cusps trace on the opposing teeth",
        "From the start, at true scale, incisors below; the upper is seen from above, through its "
        "base. Solid: in the mouth; dashed: on the articulator. Enlarged where the two end "
        "farthest apart.",
    ),
    "borders": (
        "Sagittal border figure",
        "From the patient's right, at true scale: pure hinge opening, downwards and backwards, "
        "and protrusion, forwards. The parts of the figure that an articulator does not guide are "
        "not drawn.",
    ),
    "arcon": (
        "Guidance on the mandible instead of on the upper",
        "Largest distance between where condylar guides on the lower member and where guides on "
        "the upper member (arcon) carry a landmark, both set alike at the record.",
    ),
}
"""Of the figures, by name."""


def captioned(drawn: Mapping[str, Any], *names: str) -> tuple[tuple[str, str], ...]:
    """Caption (title, then text on further lines) and svg element of those that are drawn."""
    return tuple(
        ("\n".join(FIGURE_TEXT[n]), to_svg(drawn[n], n, FIGURE_TEXT[n][0]))
        for n in names
        if n in drawn
    )
