"""Where arbitrary axis points lie about the true axis points: published and user-defined scatter.

A population is never assumed silently and never pooled from several studies: the case names one
study, or gives its own distribution, or the measured offset. Offsets are columns
``left_anterior_mm, left_superior_mm, right_anterior_mm, right_superior_mm`` in ``axis_orbital``.
"""

from __future__ import annotations

import csv
import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.base.files import read_regular_file
from kinematics.uncertainty.monte_carlo import open_uniform
from kinematics.uncertainty.published_scatter import STUDIES

OFFSETS = ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm")
"""Order of an offset's four numbers, everywhere."""

OFFSET_WORDS = (
    "anterior error of the left point",
    "superior error of the left point",
    "anterior error of the right point",
    "superior error of the right point",
)

Group = tuple[str, tuple[int, ...]]
"""What a reader calls an independent input, and the columns of uniforms that make it."""


class Population(Protocol):
    """A distribution of the four offsets, as a map from independent uniforms."""

    @property
    def label(self) -> str:
        """One line that says what is sampled, and from where."""

    @property
    def groups(self) -> tuple[Group, ...]:
        """Independent inputs and their columns of uniforms (dependent columns share a group)."""

    @property
    def n_uniform(self) -> int:
        """How many uniform numbers make one draw."""

    def from_uniform(self, u: FloatArray) -> FloatArray:
        """Offsets, shape (n, 4), mm, from uniforms in (0, 1), shape (n, n_uniform)."""

    def sample(self, n: int, *, rng: np.random.Generator) -> FloatArray:
        """``n`` draws of the offsets, shape (n, 4), mm."""

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean, shape (4,), and covariance, shape (4, 4), of the offsets, mm."""


class Sampled:
    """Sampling that every population shares."""

    def sample(self: Population, n: int, *, rng: np.random.Generator) -> FloatArray:
        """``n`` draws of the offsets, shape (n, 4), mm."""
        return self.from_uniform(open_uniform(n, self.n_uniform, rng=rng))


@dataclass(frozen=True, eq=False)
class MeasuredPopulation(Sampled):
    """The offset measured in this patient: one value, no scatter of its own."""

    offset_mm: FloatArray
    label: str = "offset measured in this patient"
    groups: tuple[Group, ...] = ()
    n_uniform: int = 0

    def __post_init__(self) -> None:
        object.__setattr__(
            self, "offset_mm", read_only_offsets(self.offset_mm, (4,), "arbitrary_axis")
        )

    def from_uniform(self, u: FloatArray) -> FloatArray:
        """The same offset for each row of ``u``."""
        return np.tile(self.offset_mm, (len(u), 1))

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """The offset, and no covariance."""
        return self.offset_mm, np.zeros((4, 4))


@dataclass(frozen=True, eq=False)
class NormalPopulation(Sampled):
    """Normal scatter with bias; each coordinate's left and right values correlate.

    Parameters
    ----------
    sd_anterior_mm, sd_superior_mm : float
        SD per coordinate, the same on both sides, mm; zero or more.
    bias_anterior_mm, bias_superior_mm : float
        Mean offset, the same on both sides, mm.
    left_right_correlation : float
        Between the sides, in each coordinate, -1 to 1.
    label : str
    """

    sd_anterior_mm: float
    sd_superior_mm: float
    bias_anterior_mm: float = 0.0
    bias_superior_mm: float = 0.0
    left_right_correlation: float = 0.0
    label: str = "normal scatter given by the user"
    n_uniform: int = 4

    def __post_init__(self) -> None:
        for name in ("sd_anterior_mm", "sd_superior_mm"):
            check_range(name, getattr(self, name), 0.0, 100.0, "mm")
        for name in ("bias_anterior_mm", "bias_superior_mm"):
            check_range(name, getattr(self, name), -100.0, 100.0, "mm")
        check_range("left_right_correlation", self.left_right_correlation, -1.0, 1.0, "")

    @property
    def groups(self) -> tuple[Group, ...]:
        """Each coordinate of each side alone; sides together where they correlate."""
        if self.left_right_correlation == 0.0:
            return tuple((word, (i,)) for i, word in enumerate(OFFSET_WORDS))
        return (
            ("anterior error of both points", (0, 2)),
            ("superior error of both points", (1, 3)),
        )

    def from_uniform(self, u: FloatArray) -> FloatArray:
        """Offsets by the normal quantile, shape (n, 4), mm."""
        z = ndtri(u)
        rho = self.left_right_correlation
        right = rho * z[:, :2] + np.sqrt(1.0 - rho * rho) * z[:, 2:]
        sd = np.array([self.sd_anterior_mm, self.sd_superior_mm])
        bias = np.array([self.bias_anterior_mm, self.bias_superior_mm])
        return np.hstack([bias + sd * z[:, :2], bias + sd * right])

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance as given."""
        bias = [self.bias_anterior_mm, self.bias_superior_mm]
        variance = np.diag([self.sd_anterior_mm**2, self.sd_superior_mm**2])
        across = self.left_right_correlation * variance
        return np.array(bias * 2), np.block([[variance, across], [across, variance]])


@dataclass(frozen=True, eq=False)
class DiscPopulation(Sampled):
    """Anywhere within a radius of the true point, each side alone, uniform over the area."""

    radius_mm: float
    label: str = "uniform within a disc given by the user"
    groups: tuple[Group, ...] = (
        ("error of the left point", (0, 1)),
        ("error of the right point", (2, 3)),
    )
    n_uniform: int = 4

    def __post_init__(self) -> None:
        check_range("radius_mm", self.radius_mm, 0.0, 100.0, "mm")

    def from_uniform(self, u: FloatArray) -> FloatArray:
        """Offsets, shape (n, 4), mm."""
        reach = self.radius_mm * np.sqrt(u[:, 0::2])
        turn = 2.0 * np.pi * u[:, 1::2]
        pair = np.stack([reach * np.cos(turn), reach * np.sin(turn)], axis=2)
        return pair.reshape(-1, 4)

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """No bias; a quarter of the squared radius in each coordinate."""
        return np.zeros(4), 0.25 * self.radius_mm**2 * np.eye(4)


@dataclass(frozen=True, eq=False)
class EmpiricalPopulation(Sampled):
    """Measured offsets of other patients, drawn with replacement, both sides of one together."""

    offsets_mm: FloatArray
    label: str = "offsets measured in other patients"
    groups: tuple[Group, ...] = (("position of the arbitrary points", (0,)),)
    n_uniform: int = 1

    def __post_init__(self) -> None:
        rows = np.shape(self.offsets_mm)[0] if np.ndim(self.offsets_mm) == 2 else 0
        if rows < 1:
            raise InputError("file", "no offsets", "at least one row", "Add measured offsets.")
        object.__setattr__(
            self, "offsets_mm", read_only_offsets(self.offsets_mm, (rows, 4), "file")
        )

    def from_uniform(self, u: FloatArray) -> FloatArray:
        """Whole rows of the measured offsets, shape (n, 4), mm."""
        rows = len(self.offsets_mm)
        return self.offsets_mm[np.minimum((u[:, 0] * rows).astype(int), rows - 1)]

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Mean and covariance of the rows, each as likely as the others."""
        return self.offsets_mm.mean(axis=0), np.cov(self.offsets_mm.T, bias=True).reshape(4, 4)


def study_population(key: str, *, left_right_correlation: float = 0.0) -> NormalPopulation:
    """Population of one published study.

    Parameters
    ----------
    key : str
        A key of :data:`kinematics.uncertainty.published_scatter.STUDIES`.
    left_right_correlation : float
        No study is known to report it; 0 unless the user says otherwise.

    Raises
    ------
    InputError
        Unknown key; the nearest is named.

    Examples
    --------
    >>> from kinematics.uncertainty.populations import study_population
    >>> points = study_population("schallhorn_1957")
    >>> points.sample(1000, rng=np.random.default_rng(0)).shape
    (1000, 4)
    >>> points.moments()[1].diagonal().round(2).tolist()
    [4.17, 4.17, 4.17, 4.17]
    """
    study = STUDIES.get(key)
    if study is None:
        near = difflib.get_close_matches(key, STUDIES, n=1, cutoff=0.0)
        raise InputError(
            "uncertainty.study",
            repr(key),
            "one of " + ", ".join(STUDIES),
            f"The nearest is {near[0]!r}.",
        )
    label = f"{study.key}: {study.point}, {study.turned_into} ({study.mark})"
    return NormalPopulation(study.sd_mm, study.sd_mm, 0.0, 0.0, left_right_correlation, label=label)


MAX_OFFSETS_BYTES = 20_000_000
"""Largest accepted file of offsets (ours)."""


def read_offsets(path: Path | str) -> EmpiricalPopulation:
    """Read measured offsets from a CSV file with the four columns of :data:`OFFSETS`, in mm.

    Raises
    ------
    InputError
        File missing, columns missing (they are named), a value that is not a finite number.
    """
    path = Path(path)
    try:
        text = read_regular_file(
            path, "a CSV file of offsets", MAX_OFFSETS_BYTES, "Is it another file?"
        ).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            "file", str(error), "a readable CSV file", "Check the path.", path
        ) from None
    reader = csv.DictReader(text.splitlines())
    missing = [name for name in OFFSETS if name not in (reader.fieldnames or [])]
    if missing:
        raise InputError(
            "columns",
            ", ".join(reader.fieldnames or ["nothing"]),
            ", ".join(OFFSETS),
            f"Add the missing columns: {', '.join(missing)}.",
            path,
        )
    rows = []
    for line, row in enumerate(reader, start=2):
        try:
            rows.append([float(row[name]) for name in OFFSETS])
        except (TypeError, ValueError):
            raise InputError(
                f"line {line}", str(dict(row)), "four numbers in mm", "Correct the line.", path
            ) from None
    try:
        return EmpiricalPopulation(
            np.array(rows).reshape(-1, 4),
            label=f"{len(rows)} measured offsets from {path.name}",
        )
    except InputError as error:
        raise InputError(error.where, error.got, error.allowed, error.fix, path) from None


def check_range(name: str, value: float, low: float, high: float, unit: str) -> None:
    """Refuse a number that no scatter has."""
    if not (np.isfinite(value) and low <= value <= high):
        raise InputError(
            f"uncertainty.{name}",
            f"{value:g} {unit}".strip(),
            f"{low:g} to {high:g} {unit}".strip(),
            "Correct the value.",
        )


def read_only_offsets(value: ArrayLike, shape: tuple[int, ...], where: str) -> FloatArray:
    """A read-only copy of offsets, of this shape and finite."""
    array = np.array(value, dtype=np.float64)
    if array.shape != shape or not np.isfinite(array).all():
        raise InputError(
            where,
            f"shape {array.shape}" if array.shape != shape else "values that are not finite",
            f"finite numbers in mm, shape {shape}",
            "Give left anterior, left superior, right anterior, right superior in mm.",
        )
    array.flags.writeable = False
    return array
