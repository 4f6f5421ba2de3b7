"""Synthetic casts: an upper and a lower dentition that occlude, labelled tooth by tooth."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

from kinematics.base.errors import HingewiseError, InputError
from kinematics.casts.cast import Cast
from kinematics.casts.synthetic.arch_form import ArchSolid, Occlusion, occlusal_level, place_teeth
from kinematics.casts.synthetic.arch_surface import Sheet, cast_sheet, grid_faces, mesh_of
from kinematics.casts.synthetic.occlusal_fit import height_field, least_vertical_gap

MIN_TRIANGLES = 4_000
MAX_TRIANGLES = 2_500_000
CLEARANCE_MM = 0.03
"""Least vertical gap of the finished casts at intercuspation (ours; foil thickness)."""
CARVED_GAP_MM = 0.05
"""Gap to which opposing surfaces are carved where the crowns as drawn would overlap (ours)."""
CARVE_SOFTNESS_MM = 0.06
"""Width over which carving fades out (ours)."""
DETAIL = ((25_000, 0.4, 120), (400_000, 0.2, 180), (MAX_TRIANGLES, 0.1, 180))
"""Up to so many triangles: distance of sections in mm, and rays a section (ours)."""
FIELD_BOX_MM = (-52.0, -42.0, 10.0, 42.0)


def generate_pair(
    *,
    triangles_per_cast: int = 60_000,
    seed: int = 0,
    overbite_mm: float = 2.5,
    overjet_mm: float = 2.5,
    variation: float = 1.0,
) -> tuple[Cast, Cast]:
    """Make an upper and a lower cast with 28 teeth in intercuspation.

    Parameters
    ----------
    triangles_per_cast : int
        4 000 to 2 500 000; met within 5 percent.
    seed : int
        Of the differences between left and right.
    overbite_mm, overjet_mm : float
        Vertical and horizontal overlap of the central incisors, 1.5 to 4 mm.
    variation : float
        0 makes mirror images; 1 typical; at most 2.

    Returns
    -------
    upper, lower : Cast
        In a frame of their own: x anterior, y left, z superior; origin on the line of occlusion
        at the lower central incisors' edges, less the settling of the lower cast.

    Raises
    ------
    InputError
        A parameter outside its range.

    Notes
    -----
    Guarantee: both meshes are closed, of one piece and consistently oriented; every vertical
    line meets the upper cast above the lower one, the least gap being 0.03 mm (exact over all
    pairs of triangles); the same arguments give the same casts.
    Source: tooth dimensions as named in :mod:`kinematics.casts.synthetic.tooth_shape`, arch form as
    in :mod:`kinematics.casts.synthetic.arch_form`; the surfaces between them are ours. No patient's
    teeth.
    """
    check_parameters(triangles_per_cast, seed, overbite_mm, overjet_mm, variation)
    occlusion = Occlusion(overbite_mm, overjet_mm, variation)
    rng = np.random.default_rng(seed)
    solids = {a: ArchSolid(a, place_teeth(a, occlusion, rng=rng)) for a in ("upper", "lower")}
    section_mm, rays = next(d for most, *d in DETAIL if triangles_per_cast <= most)
    sheets = {a: cast_sheet(s, section_mm=section_mm, rays=int(rays)) for a, s in solids.items()}
    for share in (None, 0.5, 0.5):
        carve(sheets["upper"], sheets["lower"], share)
    upper, lower = (mesh_of(sheets[a], triangles_per_cast) for a in ("upper", "lower"))
    for _ in range(2):
        upper, lower = touched_up(upper, lower), touched_up(lower, upper)
    gap = least_vertical_gap(lower.vertices_mm, lower.faces, upper.vertices_mm, upper.faces)
    settled = lower.vertices_mm + np.array([0.0, 0.0, gap - CLEARANCE_MM])
    return upper, replace(lower, vertices_mm=settled)


def touched_up(cast: Cast, other: Cast) -> Cast:
    """Take half of what is missing to the carved gap away at the vertices of a sampled mesh."""
    sign = 1.0 if cast.arch == "lower" else -1.0
    flip = np.array([1.0, 1.0, -sign])
    field = height_field(other.vertices_mm * flip, other.faces, FIELD_BOX_MM)
    v = cast.vertices_mm
    missing = CARVED_GAP_MM + sign * v[:, 2] + field.at(v[:, 0], v[:, 1])
    # More than 0.3 mm is another layer of the surface, not a misfit.
    missing = np.where((missing > 0) & (missing < 0.3), 0.5 * missing, 0.0)
    moved = v.copy()
    moved[:, 2] -= sign * missing
    return replace(cast, vertices_mm=moved)


def check_parameters(
    triangles: int, seed: int, overbite: float, overjet: float, variation: float
) -> None:
    """Refuse a parameter outside its range."""
    for name, value, low, high in (
        ("triangles_per_cast", triangles, MIN_TRIANGLES, MAX_TRIANGLES),
        ("seed", seed, 0, 2**32 - 1),
        ("overbite_mm", overbite, 1.5, 4.0),
        ("overjet_mm", overjet, 1.5, 4.0),
        ("variation", variation, 0.0, 2.0),
    ):
        if not low <= value <= high:
            got = f"{value:g}"
            raise InputError(name, got, f"{low:g} to {high:g}", "Choose a value in this range.")


def carve(upper: Sheet, lower: Sheet, share: float | None) -> None:
    """Take away where two sheets overlap vertically or nearly so; changes both sheets' heights.

    Parameters
    ----------
    share : float or None
        The lower's share. None: a cusp keeps its tip and the fossa opposite gives way.

    Notes
    -----
    After it the gap is at least ``CARVED_GAP_MM`` up to the resolution of the height fields.
    """
    fields = []
    for sheet in (upper, lower):
        points = sheet.points().reshape(-1, 3) * np.array([1.0, 1.0, sheet.sign])
        fields.append(height_field(points, grid_faces(*sheet.w_mm.shape), FIELD_BOX_MM))
    for sheet in (upper, lower):
        p = sheet.points()
        x, y = p[..., 0].ravel(), p[..., 1].ravel()
        above, below = -fields[0].at(x, y), fields[1].at(x, y)
        both = np.isfinite(above) & np.isfinite(below)
        above, below = np.where(both, above, 9.0), np.where(both, below, -9.0)
        excess = (CARVED_GAP_MM - (above - below)) / CARVE_SOFTNESS_MM
        depth = CARVE_SOFTNESS_MM * np.logaddexp(0.0, np.minimum(excess, 60.0))
        depth[excess < -8.0] = 0.0
        if share is None:
            level = 0.5 * (above + below) - occlusal_level(x, y)
            lower_share = 0.5 - 0.5 * np.tanh(level / 0.3)
        else:
            lower_share = np.full(len(x), share)
        part = lower_share if sheet is lower else 1.0 - lower_share
        # Only what can be seen from the other arch: not the walls below an overhang.
        own = below if sheet is lower else -above
        seen = own - sheet.h_mm.ravel() < 0.25
        sheet.h_mm -= (depth * part * seen).reshape(sheet.h_mm.shape)


def main(arguments: list[str] | None = None) -> int:
    """Write ``upper.ply`` and ``lower.ply`` into a folder; the sample casts are made by this."""
    parser = argparse.ArgumentParser(
        prog="python -m kinematics.casts.synthetic.dentition", description=__doc__
    )
    parser.add_argument("-o", "--output", type=Path, required=True, help="existing folder")
    parser.add_argument("--triangles", type=int, default=60_000, help="triangles a cast")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args(arguments)
    try:
        pair = generate_pair(triangles_per_cast=given.triangles, seed=given.seed)
        for cast in pair:
            cast.write(given.output / f"{cast.arch}.ply", single=True)
            print(f"{given.output / cast.arch}.ply: {len(cast.faces)} triangles")
    except HingewiseError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
