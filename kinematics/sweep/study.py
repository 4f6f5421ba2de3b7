"""The study file (schema ``hingewise-study/1``): which numbers of a case vary, and how."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field, ValidationError, model_validator

from kinematics import __version__
from kinematics.base.errors import InputError
from kinematics.case.errors import input_error, shown
from kinematics.case.fields import Table, as_tuple, or_else, refuse
from kinematics.case.model import Case
from kinematics.case.read import case_to_dict, read_case, read_toml, set_field
from kinematics.closure.stops import STOPS, Stop

SCHEMA = "hingewise-study/1"
Design = Literal["grid", "monte_carlo", "sobol", "latin_hypercube"]

MAX_SAMPLES = 100_000_000
"""Most rows of one study (ours); more belongs in several studies with other seeds."""
MAX_STUDY_BYTES = 1_000_000
DEFAULT_CHUNK = 2_000
CHUNK_RANGE = (10, 100_000)
WITHOUT_EFFECT = ("uncertainty.",)
"""Tables that no output of a sweep depends on."""

PLAIN = ("design", "samples", "seed", "chunk", "first_contact", "excursions")
"""Keys of a study that its identity holds as they are."""
EXCURSIONS_ONLY = ("articulator.", "third_point.")
"""Tables that only the excursions depend on."""


@dataclass(frozen=True)
class Vary:
    """One number of the case that varies.

    Attributes
    ----------
    field : str
        Dotted name, as :func:`kinematics.case.read.numeric_fields` gives.
    kind : {"range", "values", "normal"}
    low, high : float
        Ends of a range (uniform); mean and SD of a normal.
    values : tuple of float
        Of a grid, or equally likely ones.
    """

    field: str
    kind: Literal["range", "values", "normal"]
    low: float = 0.0
    high: float = 0.0
    values: tuple[float, ...] = ()

    def extremes(self) -> tuple[float, ...]:
        """Values that are checked against the case before anything runs."""
        if self.kind == "values":
            return self.values
        return (self.low, self.high) if self.kind == "range" else (self.low,)


@dataclass(frozen=True, eq=False)
class Study:
    """A checked study.

    Attributes
    ----------
    case : Case
    design : {"grid", "monte_carlo", "sobol", "latin_hypercube"}
    samples : int
        Rows.
    seed : int
    vary : tuple of Vary
    landmarks : tuple of str
        Names whose errors are reported; empty for all. The worst error is that of all landmarks.
    stops : tuple
    first_contact : bool
        Whether first contacts are computed.
    excursions : bool
        Whether the error in protrusion and lateral excursions is computed (case by case).
    chunk : int
        Rows of one part file.
    case_file : str
        As the study names it.
    """

    case: Case
    design: Design
    samples: int
    seed: int
    vary: tuple[Vary, ...]
    landmarks: tuple[str, ...]
    stops: tuple[Stop, ...]
    first_contact: bool
    chunk: int
    case_file: str
    excursions: bool = False

    @property
    def chunks(self) -> int:
        """Number of part files."""
        return -(-self.samples // self.chunk)

    def rows_of(self, chunk: int) -> range:
        """Row numbers of a chunk."""
        return range(chunk * self.chunk, min(self.samples, (chunk + 1) * self.chunk))

    def identity(self) -> dict[str, Any]:
        """All that the rows depend on: study, case, mesh contents, version of the program."""
        return {
            "schema": SCHEMA,
            "version": __version__,
            "study": {
                **{name: getattr(self, name) for name in PLAIN},
                **{name: list(getattr(self, name)) for name in ("landmarks", "stops")},
            },
            "vary": [asdict(v) | {"values": list(v.values)} for v in self.vary],
            "case": case_to_dict(self.case),
            "meshes": mesh_digests(self.case),
        }


def digest(identity: Mapping[str, Any]) -> str:
    """SHA-256 of a study's identity."""
    return hashlib.sha256(json.dumps(identity, sort_keys=True).encode()).hexdigest()


def read_study(path: Path | str) -> Study:
    """Read and check a study file.

    Parameters
    ----------
    path : Path or str
        TOML in schema ``hingewise-study/1``; its case is named relative to it.

    Returns
    -------
    Study

    Raises
    ------
    InputError
        File or case unreadable, unknown keys or fields (the nearest is named), an empty or
        reversed range, no samples or too many, values that the case refuses.
    """
    path = Path(path)
    data = read_toml(path, "study", MAX_STUDY_BYTES)
    try:
        return study_from_dict(data, folder=path.parent)
    except InputError as error:
        if error.file is not None:
            raise
        raise InputError(error.where, error.got, error.allowed, error.fix, path) from None


def few_enough(samples: int, *, field: str = "") -> int:
    """Refuse more rows than one study may have, and say how large they would be."""
    if samples > MAX_SAMPLES:
        got = f"{samples:,} rows (about {samples * 400 / 1e9:,.0f} GB of results)"
        need = f"at most {MAX_SAMPLES:,}"
        refuse(got, need, "Split the study into several with other seeds.", field)
    return samples


Spread = Annotated[float, Field(gt=0.0), or_else("a number more than 0", "Give the spread.")]
YesNo = Annotated[bool, or_else("true or false", "Correct it.")]
Values = Annotated[
    tuple[float, ...],
    BeforeValidator(as_tuple),
    Field(min_length=1),
    or_else("a list of numbers", "Give at least one value."),
]


class VaryTable(Table):
    """``[[vary]]``: one number of the case, and one way in which it varies."""

    field: Annotated[str, Field(min_length=1), or_else("a dotted name", "Add field = '...'.")] = (
        Field(default="", validate_default=True)
    )
    low: float | None = None
    high: float | None = None
    steps: Annotated[int, Field(ge=2, le=100_000)] | None = None
    values: Values | None = None
    mean: float | None = None
    sd: Spread | None = None

    @model_validator(mode="after")
    def one_form(self) -> VaryTable:
        """One way, whole, and a range that is one."""
        forms = {"low/high": ("low", "high"), "values": ("values",), "mean/sd": ("mean", "sd")}
        given = {
            form: keys
            for form, keys in forms.items()
            if any(getattr(self, key) is not None for key in keys)
        }
        if len(given) != 1:
            got = " and ".join(given) or "no values"
            refuse(got, "one of low and high, values, mean and sd", "Keep one form.")
        for key in next(iter(given.values())):
            if getattr(self, key) is None:
                refuse("nothing", "a finite number", f"Add {key}.", key)
        if self.low is not None and self.high is not None and not self.low < self.high:
            kind = "an empty range" if self.low == self.high else "a reversed range"
            got = f"{kind} {self.low:g} to {self.high:g}"
            refuse(got, "low below high", "Swap the ends.")
        return self

    def vary(self) -> Vary:
        """The table as a record; a range with steps becomes its values."""
        if self.values is not None:
            return Vary(self.field, "values", values=self.values)
        if self.mean is not None:
            return Vary(self.field, "normal", self.mean, self.sd or 0.0)
        low, high = self.low or 0.0, self.high or 0.0
        if self.steps is None:
            return Vary(self.field, "range", low, high)
        steps = np.linspace(low, high, self.steps)
        return Vary(self.field, "values", values=tuple(float(v) for v in steps))


class StudyFile(Table):
    """A study file as it is written; :class:`Study` holds the checked study with its case."""

    schema_id: Literal["hingewise-study/1"] = Field(alias="schema")
    case: Annotated[
        str, Field(min_length=1), or_else("the name of a case file", "Add case = 'case.toml'.")
    ] = Field(default="", validate_default=True)
    design: Design = "monte_carlo"
    samples: Annotated[int, Field(ge=1), AfterValidator(few_enough)] | None = None
    seed: Annotated[int, Field(ge=0, lt=2**63)] = 1
    chunk: Annotated[int, Field(ge=CHUNK_RANGE[0], le=CHUNK_RANGE[1])] = DEFAULT_CHUNK
    landmarks: Annotated[
        tuple[str, ...], BeforeValidator(as_tuple), or_else("a list of names", "Correct it.")
    ] = ()
    stops: Annotated[
        tuple[Stop, ...],
        BeforeValidator(as_tuple),
        Field(min_length=1),
        or_else(f"a list of {', '.join(STOPS)}", "Name a stop."),
    ] = ("equal_angle", "pin")
    first_contact: YesNo | None = None
    excursions: YesNo = False
    vary: Annotated[
        list[VaryTable],
        Field(min_length=1),
        or_else("at least one [[vary]]", "Say which number varies."),
    ] = Field(default=[], validate_default=True)

    @model_validator(mode="after")
    def fits_its_design(self) -> StudyFile:
        """A grid counts its points; every other design is told how many rows it has."""
        fields = [table.field for table in self.vary]
        for i, table in enumerate(self.vary):
            where = f"vary.{i}"
            if table.field in fields[:i]:
                refuse(f"{table.field!r} twice", "each field once", "Remove one of them.", "vary")
            if self.design != "grid" and table.steps is not None:
                refuse("steps", "no steps outside a grid", "Remove steps.", where)
            if self.design == "grid" and table.mean is not None:
                allowed = "values, or low, high and steps"
                refuse("mean and sd in a grid", allowed, "Choose these.", where)
            if self.design == "grid" and table.low is not None and table.steps is None:
                refuse("nothing", "a whole number", "Add steps.", f"{where}.steps")
        if self.design == "grid" and self.samples is not None:
            got = "a number with design = 'grid'"
            refuse(got, "none", "The grid counts its points.", "samples")
        if self.design != "grid" and self.samples is None:
            refuse("nothing", "a whole number", "Say how many rows there are.", "samples")
        few_enough(self.rows, field="samples")
        return self

    @property
    def rows(self) -> int:
        """Rows of the study: those of the grid, or as many as it asks for."""
        return self.samples or math.prod(len(table.vary().values) for table in self.vary)


def study_from_dict(data: Mapping[str, Any], *, folder: Path | str = ".") -> Study:
    """Check a study given as a dict, as :func:`read_study` does."""
    try:
        told = StudyFile.model_validate(data)
    except ValidationError as error:
        raise by_field(input_error(error, None, StudyFile), data) from None
    vary = tuple(table.vary() for table in told.vary)
    case = read_case(Path(folder) / told.case)
    for v in vary:
        check_effect(case, v, told.excursions)
    contact = told.first_contact or "contact" in told.stops
    if contact and case.casts is None:
        got = "a first contact without casts"
        raise InputError("first_contact", got, "[casts] in the case", "Give casts.")
    shared = ("design", "seed", "chunk", "landmarks", "excursions")
    return Study(
        case=case,
        samples=told.rows,
        vary=vary,
        stops=tuple(dict.fromkeys(told.stops)),
        first_contact=contact,
        case_file=told.case,
        **{name: getattr(told, name) for name in shared},
    )


def by_field(error: InputError, data: Mapping[str, Any]) -> InputError:
    """Name a ``[[vary]]`` table by the number that it varies, where it says so."""
    place = re.match(r"vary\.(\d+)", error.where)
    table = data["vary"][int(place[1])] if place else None
    if place is None or not isinstance(table, dict) or not isinstance(table.get("field"), str):
        return error
    where = f"vary ({shown(table['field'])}){error.where[place.end() :]}"
    return InputError(where, error.got, error.allowed, error.fix)


def check_effect(case: Case, v: Vary, excursions: bool) -> None:
    """Refuse a number that no output depends on, or a value that the case refuses."""
    if v.field.startswith(EXCURSIONS_ONLY) and not excursions:
        got = "a number that only the excursions depend on"
        need = "excursions = true in the study"
        raise InputError(f"vary ({v.field})", got, need, "Add it, or vary another number.")
    if v.field.startswith(WITHOUT_EFFECT):
        got = "a number that no output of a sweep depends on"
        need = "axis offsets, record, target, tolerance, mounting, landmarks or pin"
        raise InputError(f"vary ({v.field})", got, need, "Vary one of these.")
    for value in v.extremes():
        try:
            set_field(case, v.field, value)
        except InputError as error:
            where = f"vary ({v.field})" if error.where == v.field else error.where
            raise InputError(where, error.got, error.allowed, error.fix) from None


def mesh_digests(case: Case) -> dict[str, str]:
    """SHA-256 of every mesh that the case names: ``upper``, ``lower``, else by its field."""
    out = {}
    for field, name in case.meshes().items():
        path = case.path(name, field)
        try:
            content = path.read_bytes()
        except OSError as error:
            need = "a readable mesh"
            raise InputError(field, str(error), need, "Check the file's name.", path) from None
        out[field.removeprefix("casts.")] = hashlib.sha256(content).hexdigest()
    return out
