"""Published scatter of arbitrary axis points about the located axis, by study, never pooled."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import numpy as np

from kinematics.base.errors import InputError


def sd_from_percentage(radius_mm: float, fraction: float) -> float:
    """SD per coordinate of the isotropic, unbiased Gaussian with a fraction inside a radius, mm.

    Notes
    -----
    From ``P(r) = 1 - exp(-r^2 / 2 s^2)``. *Source*: derived here (Rayleigh law); it is our way to
    turn a published percentage into a distribution, not a published number.
    """
    if not (radius_mm > 0.0 and 0.0 < fraction < 1.0):
        raise InputError(
            "radius_mm, fraction",
            f"{radius_mm:g} mm and {fraction:g}",
            "a positive radius and a fraction between 0 and 1",
            "Give the percentage within the radius as a fraction.",
        )
    return radius_mm / float(np.sqrt(-2.0 * np.log1p(-fraction)))


def sd_from_mean_distance(mean_mm: float) -> float:
    """SD per coordinate of the isotropic Gaussian with this mean distance, ``m sqrt(2/pi)``, mm."""
    return mean_mm * float(np.sqrt(2.0 / np.pi))


@dataclass(frozen=True)
class Study:
    """One published study of arbitrary points about the located axis.

    Attributes
    ----------
    key, point : str
        Name in the case file; which arbitrary point was tested.
    n : int or None
        Subjects; None where not known.
    radius_mm, fraction : float or None
        The published fraction of points within a radius.
    mean_distance_mm : float or None
        The published mean distance, where that is what was used.
    citation, mark, note : str
        Source; how far it was read; what a user must know.
    """

    key: str
    point: str
    citation: str
    mark: str
    n: int | None = None
    radius_mm: float | None = None
    fraction: float | None = None
    mean_distance_mm: float | None = None
    note: str = ""

    @property
    def sd_mm(self) -> float:
        """SD per coordinate and side of the equivalent isotropic Gaussian, mm."""
        if self.mean_distance_mm is not None:
            return sd_from_mean_distance(self.mean_distance_mm)
        assert self.radius_mm is not None and self.fraction is not None  # noqa: PT018 (own table)
        return sd_from_percentage(self.radius_mm, self.fraction)

    @property
    def turned_into(self) -> str:
        """How the published figure became a distribution, one sentence."""
        if self.mean_distance_mm is not None:
            what = f"a mean distance of {self.mean_distance_mm:g} mm"
        else:
            what = f"{100.0 * (self.fraction or 0.0):g} % within {self.radius_mm:g} mm"
        return (
            f"{what} taken as an isotropic Gaussian without bias, SD {self.sd_mm:.2f} mm per "
            "coordinate and side, left and right independent (the study's shape, bias and "
            "left-right correlation are not known to us)"
        )


def read_studies() -> dict[str, Study]:
    """Read the studies that stand beside this file, ``published_scatter.toml``."""
    tables = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
    return {
        key: Study(key, fraction=None if percent is None else percent / 100.0, **table)
        for key, table in tables.items()
        for percent in [table.pop("percent", None)]
    }


STUDIES: Mapping[str, Study] = MappingProxyType(read_studies())
"""Published scatter, by the key that a case file names."""

NOT_USED: Mapping[str, str] = MappingProxyType(
    {
        "jones_2012": "the mean it prints (4.08 mm) lies near the bottom of its own range "
        "(3.22-9.27 mm, n = 8): the figures do not fit one another",
        "zakaria_2011": "gives directions only, no distances",
        "bernhardt_2003, razek_1981, abdal_hadi_1989, bosman_1974": "no number was found",
    }
)
"""Studies that were looked at and left out, with the reason."""
