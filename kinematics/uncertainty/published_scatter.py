"""Published scatter of arbitrary axis points about the located axis, by study, never pooled."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
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
    n: int | None
    radius_mm: float | None
    fraction: float | None
    mean_distance_mm: float | None
    citation: str
    mark: str
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


_SECOND_HAND = "READ-2nd: the figure was read in a citing paper, not in the original"
_MEMORY = "from memory, not verified: check before quoting"


def _study(
    key: str,
    point: str,
    n: int | None,
    radius_mm: float | None,
    percent: float | None,
    citation: str,
    mark: str,
    note: str = "",
    mean_distance_mm: float | None = None,
) -> tuple[str, Study]:
    fraction = None if percent is None else percent / 100.0
    return key, Study(key, point, n, radius_mm, fraction, mean_distance_mm, citation, mark, note)


_TRAGUS = "13 mm anterior to the tragus on the tragus-canthus line"
_TETERUCK = (
    "Teteruck WR, Lundeen HC. The accuracy of an ear face-bow. J Prosthet Dent 1966;16:1039-1046"
)
_LAURITZEN = (
    "Lauritzen AG, Bodner GH. Variations in location of arbitrary and true hinge axis points. "
    "J Prosthet Dent 1961;11:224-229"
)
_BECK = (
    "Beck HO. A clinical evaluation of the arcon concept of articulation. "
    "J Prosthet Dent 1959;9:409-421"
)

STUDIES: Mapping[str, Study] = MappingProxyType(
    dict(
        [
            _study(
                "schallhorn_1957",
                _TRAGUS,
                70,
                5.0,
                95.0,
                "Schallhorn RG. A study of the arbitrary center and the kinematic center of "
                "rotation for face-bow mountings. J Prosthet Dent 1957;7:162-169",
                _SECOND_HAND + "; n from memory",
                "A second citing paper says 97 to 98 %; the wider scatter is used.",
            ),
            _study(
                "lauritzen_bodner_1961",
                "condyle-marker point",
                50,
                5.0,
                33.0,
                _LAURITZEN,
                _SECOND_HAND + "; n from memory",
                "Another citing paper gives 40 % within 6 mm, which is SD 5.94 mm.",
            ),
            _study(
                "lauritzen_bodner_1961_redefined",
                "condyle-marker point, redefined",
                50,
                5.0,
                70.0,
                _LAURITZEN,
                _SECOND_HAND + "; n from memory",
            ),
            _study(
                "teteruck_lundeen_1966_tragus",
                _TRAGUS,
                47,
                6.0,
                33.0,
                _TETERUCK,
                _SECOND_HAND + " (two agree); n and design READ",
            ),
            _study(
                "teteruck_lundeen_1966_earbow",
                "ear-bow (meatus and nasion)",
                47,
                6.0,
                56.0,
                _TETERUCK,
                _SECOND_HAND + " (two agree); n and design READ",
            ),
            _study(
                "walker_1980",
                "several arbitrary points",
                222,
                5.0,
                20.0,
                "Walker PM. Discrepancies between arbitrary and true hinge axes. "
                "J Prosthet Dent 1980;43:279-285",
                _SECOND_HAND + "; n from memory",
                "Several points in one figure; the study found no consistent relationship.",
            ),
            _study("beck_1959_beyron", "Beyron point", None, 5.0, 58.0, _BECK, _SECOND_HAND),
            _study("beck_1959_bergstrom", "Bergstrom point", None, 5.0, 83.0, _BECK, _SECOND_HAND),
            _study(
                "simpson_1984",
                "10 mm anterior on the ala-tragus line",
                50,
                5.0,
                78.0,
                "Simpson JW, Hesby RA, Pfeifer DL, Pelleu GB. Arbitrary mandibular hinge axis "
                "locations. J Prosthet Dent 1984;51:819-822",
                _MEMORY,
            ),
            _study(
                "palik_1985",
                "ear-bow",
                19,
                5.0,
                50.0,
                "Palik JF, Nelson DR, White JT. Accuracy of an earpiece face-bow. "
                "J Prosthet Dent 1985;53:800-804",
                _MEMORY,
                "Remembered with 89 % within 6 mm (SD 2.86 mm) and 92 % of points anterior to the "
                "axis: no single unbiased Gaussian fits all three.",
            ),
            _study(
                "beyron_1942",
                "Beyron point",
                None,
                5.0,
                87.0,
                "Beyron 1942 (original report of the point)",
                _MEMORY,
            ),
            _study(
                "nagy_2002",
                "10 mm anterior to the ear piece",
                40,
                None,
                None,
                "Nagy WW, Smithy TJ, Wirth CG. Accuracy of a predetermined transverse horizontal "
                "mandibular axis point. J Prosthet Dent 2002;87:387-394",
                "READ (stored page; opening only)",
                "Mean 1.1 mm used; the law then says 48 % within 1 mm and 93 % within 2 mm where "
                "the study found 67 % and 96 %: only a rough fit.",
                mean_distance_mm=1.1,
            ),
        ]
    )
)
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
