"""The study file (schema ``hingewise-study/1``): which numbers of a case vary, and how."""

from __future__ import annotations

import difflib
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np

from kinematics import __version__
from kinematics.base.errors import InputError
from kinematics.case.read import Case, case_to_dict, read_case, read_toml, set_field
from kinematics.closure.stops import STOPS, Stop

SCHEMA = "hingewise-study/1"
Design = Literal["grid", "monte_carlo", "sobol", "latin_hypercube"]
DESIGNS: tuple[Design, ...] = get_args(Design)

MAX_SAMPLES = 100_000_000
"""Most rows of one study (ours); more belongs in several studies with other seeds."""
MAX_STUDY_BYTES = 1_000_000
DEFAULT_CHUNK = 2_000
CHUNK_RANGE = (10, 100_000)
WITHOUT_EFFECT = ("uncertainty.",)
"""Tables that no output of a sweep depends on."""

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
                "design": self.design,
                "samples": self.samples,
                "seed": self.seed,
                "chunk": self.chunk,
                "landmarks": list(self.landmarks),
                "stops": list(self.stops),
                "first_contact": self.first_contact,
                "excursions": self.excursions,
            },
            "vary": [
                {
                    "field": v.field,
                    "kind": v.kind,
                    "low": v.low,
                    "high": v.high,
                    "values": list(v.values),
                }
                for v in self.vary
            ],
            "case": case_to_dict(self.case),
            "meshes": _mesh_digests(self.case),
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


def study_from_dict(data: Mapping[str, Any], *, folder: Path | str = ".") -> Study:
    """Check a study given as a dict, as :func:`read_study` does."""
    known = {
        "schema", "case", "design", "samples", "seed", "landmarks", "stops", "first_contact",
        "chunk", "vary", "excursions",
    }  # fmt: skip
    _known_keys(data, known, "")
    if data.get("schema") != SCHEMA:
        raise InputError("schema", repr(data.get("schema")), repr(SCHEMA), "Correct the schema.")
    name = data.get("case")
    if not isinstance(name, str) or not name:
        raise InputError("case", repr(name), "the name of a case file", "Add case = 'case.toml'.")
    case = read_case(Path(folder) / name)
    design = _one_of(data.get("design", "monte_carlo"), DESIGNS, "design")
    seed = _whole(data.get("seed", 1), "seed", 0, 2**63 - 1)
    chunk = _whole(data.get("chunk", DEFAULT_CHUNK), "chunk", *CHUNK_RANGE)
    excursions = data.get("excursions", False)
    if not isinstance(excursions, bool):
        raise InputError("excursions", repr(excursions), "true or false", "Correct it.")
    tables = data.get("vary", [])
    if not isinstance(tables, list) or not tables:
        raise InputError("vary", "nothing", "at least one [[vary]]", "Say which number varies.")
    vary = tuple(_vary(table, f"vary.{i}", design) for i, table in enumerate(tables))
    seen = [v.field for v in vary]
    for v in vary:
        if seen.count(v.field) > 1:
            raise InputError("vary", f"{v.field!r} twice", "each field once", "Remove one of them.")
        _check_field(case, v, excursions)
    if design == "grid":
        samples = int(np.prod([float(len(v.values)) for v in vary]))
        if "samples" in data:
            raise InputError(
                "samples", "a number with design = 'grid'", "none", "The grid counts its points."
            )
    else:
        samples = data.get("samples", 0)
    samples = _whole(samples, "samples", 1, MAX_SAMPLES)
    stops = data.get("stops", ["equal_angle", "pin"])
    if not isinstance(stops, list) or not stops:
        raise InputError("stops", repr(stops), f"a list of {', '.join(STOPS)}", "Name a stop.")
    chosen: tuple[Stop, ...] = tuple(dict.fromkeys(_one_of(s, STOPS, "stops") for s in stops))
    first = data.get("first_contact", "contact" in chosen)
    if not isinstance(first, bool):
        raise InputError("first_contact", repr(first), "true or false", "Correct it.")
    if (first or "contact" in chosen) and case.casts is None:
        raise InputError(
            "first_contact", "a first contact without casts", "[casts] in the case", "Give casts."
        )
    marks = data.get("landmarks", [])
    if not isinstance(marks, list) or not all(isinstance(m, str) for m in marks):
        raise InputError("landmarks", repr(marks), "a list of names", "Correct it.")
    return Study(
        case=case,
        design=design,
        samples=samples,
        seed=seed,
        vary=vary,
        landmarks=tuple(marks),
        stops=chosen,
        first_contact=first or "contact" in chosen,
        chunk=chunk,
        case_file=name,
        excursions=excursions,
    )


def _vary(table: Any, where: str, design: Design) -> Vary:
    if not isinstance(table, dict):
        raise InputError(where, repr(table), "a table", "Write [[vary]].")
    _known_keys(table, {"field", "low", "high", "steps", "values", "mean", "sd"}, f"{where}.")
    field = table.get("field")
    if not isinstance(field, str):
        raise InputError(f"{where}.field", repr(field), "a dotted name", "Add field = '...'.")
    where = f"vary ({field})"
    forms = {"low/high": "low" in table or "high" in table, "values": "values" in table}
    forms["mean/sd"] = "mean" in table or "sd" in table
    given = [form for form, there in forms.items() if there]
    if len(given) != 1:
        raise InputError(
            where,
            " and ".join(given) or "no values",
            "one of low and high, values, mean and sd",
            "Keep one form.",
        )
    if given == ["values"]:
        values = table["values"]
        if not isinstance(values, list) or not values:
            raise InputError(where, repr(values), "a list of numbers", "Give at least one value.")
        return Vary(field, "values", values=tuple(_number(v, where) for v in values))
    if given == ["mean/sd"]:
        mean, sd = (_number(table.get(k), f"{where}.{k}") for k in ("mean", "sd"))
        if not sd > 0.0:
            raise InputError(f"{where}.sd", f"{sd:g}", "more than 0", "Give the spread.")
        if design == "grid":
            raise InputError(
                where, "mean and sd in a grid", "values, or low, high and steps", "Choose these."
            )
        return Vary(field, "normal", mean, sd)
    low, high = (_number(table.get(k), f"{where}.{k}") for k in ("low", "high"))
    if not low < high:
        kind = "an empty range" if low == high else "a reversed range"
        raise InputError(where, f"{kind} {low:g} to {high:g}", "low below high", "Swap the ends.")
    if design != "grid":
        if "steps" in table:
            raise InputError(where, "steps", "no steps outside a grid", "Remove steps.")
        return Vary(field, "range", low, high)
    steps = _whole(table.get("steps"), f"{where}.steps", 2, 100_000)
    return Vary(field, "values", values=tuple(float(v) for v in np.linspace(low, high, steps)))


def _check_field(case: Case, v: Vary, excursions: bool) -> None:
    if v.field.startswith(EXCURSIONS_ONLY) and not excursions:
        raise InputError(
            f"vary ({v.field})",
            "a number that only the excursions depend on",
            "excursions = true in the study",
            "Add it, or vary another number.",
        )
    if v.field.startswith(WITHOUT_EFFECT):
        raise InputError(
            f"vary ({v.field})",
            "a number that no output of a sweep depends on",
            "axis offsets, record, target, tolerance, mounting, landmarks or pin",
            "Vary one of these.",
        )
    for value in v.extremes():
        try:
            set_field(case, v.field, value)
        except InputError as error:
            where = f"vary ({v.field})" if error.where == v.field else error.where
            raise InputError(where, error.got, error.allowed, error.fix) from None


def _mesh_digests(case: Case) -> dict[str, str]:
    """SHA-256 of every mesh that the case names: ``upper``, ``lower``, else by its field."""
    out = {}
    for field, name in case.meshes().items():
        path = case.path(name, field)
        try:
            content = path.read_bytes()
        except OSError as error:
            raise InputError(
                field, str(error), "a readable mesh", "Check the file's name.", path
            ) from None
        out[field.removeprefix("casts.")] = hashlib.sha256(content).hexdigest()
    return out


def _known_keys(data: Mapping[str, Any], known: set[str], prefix: str) -> None:
    for key in data:
        if key not in known:
            raise InputError(
                f"{prefix}{key}",
                "an unknown key",
                f"one of {', '.join(sorted(known))}",
                _nearest(key, sorted(known), "Remove it."),
            )


def _one_of(value: Any, allowed: tuple[Any, ...], where: str) -> Any:
    if value not in allowed:
        hint = _nearest(str(value), allowed, "Choose one of them.")
        raise InputError(where, repr(value), "one of " + ", ".join(allowed), hint)
    return value


def _nearest(text: str, names: Sequence[str], otherwise: str) -> str:
    near = difflib.get_close_matches(text, names, n=1, cutoff=0.5)
    return f"Did you mean {near[0]!r}?" if near else otherwise


def _whole(value: Any, where: str, low: int, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        extra = (
            "Split the study into several with other seeds." if where == "samples" else "Fix it."
        )
        got = repr(value)
        if where == "samples" and isinstance(value, int) and value > high:
            got = f"{value:,} rows (about {value * 400 / 1e9:,.0f} GB of results)"
        raise InputError(where, got, f"a whole number from {low:,} to {high:,}", extra)
    return value


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise InputError(where, repr(value), "a finite number", "Correct it.")
    return float(value)
