"""hingewise: what an arbitrary hinge axis does to the occlusion, and how sure that is.

The rooms. Each imports only from those above it, and so may a new file in it:

    base         axes, motions, errors, words: what every room stands on
    casts        a mesh file to a checked cast
    contact      exact first contact of two meshes that turn about a line
    articulator  the instrument alone: guides, settings, one excursion
    case         the case file: its tables and fields, reading, remarks, the form to fill in
    mounting     measurements to the pose of the casts and of both axes
    closure      a placed case closed about both axes: poses, stops, errors
    excursions   patient against articulator in protrusion and lateral movements
    uncertainty  what is uncertain in a case, propagated, and what the spread comes from
    decision     the answer: ways out, verdict, what the transfer costs
    sweep        a study: many samples of a case
    assessment, inspection, result: the job in order, a look before it, and ``result.json``

then the package ``viewer``: figures, 3-D scene, report, browser, command line. A room's own
docstring says what it takes and gives, where to start and where new things go.

The way through the house: ``read_case`` reads and checks a case file. ``place`` puts the casts and
both axes into the patient's frame. ``close`` closes the lower cast about both axes. ``assess``
does all of that and decides. ``result`` writes it, and ``viewer`` shows it. Lengths are in
millimetres and angles in degrees. Import the names below from here; each is loaded when it is
asked for.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from kinematics.assessment import Assessment, assess
    from kinematics.base.axis import HingeAxis
    from kinematics.base.errors import InputError
    from kinematics.case.model import Case
    from kinematics.case.read import case_from_dict, read_case, write_case
    from kinematics.casts.cast import Cast, load_cast
    from kinematics.closure.close import Closures, close
    from kinematics.closure.place import PlacedCase, place
    from kinematics.inspection import inspect_case
    from kinematics.sweep.run import read_sweep, run_sweep
    from kinematics.sweep.study import read_study

__version__ = "0.1.0"

ROOMS = (
    "base",
    "casts",
    "contact",
    "articulator",
    "case",
    "mounting",
    "closure",
    "excursions",
    "uncertainty",
    "decision",
    "sweep",
    "assessment",
    "inspection",
    "result",
)
"""Folders and, at the end, files of this package; each imports only from its left (tested)."""

FACE = {
    "Assessment": "assessment",
    "Case": "case.model",
    "Cast": "casts.cast",
    "Closures": "closure.close",
    "HingeAxis": "base.axis",
    "InputError": "base.errors",
    "PlacedCase": "closure.place",
    "assess": "assessment",
    "case_from_dict": "case.read",
    "close": "closure.close",
    "inspect_case": "inspection",
    "load_cast": "casts.cast",
    "place": "closure.place",
    "read_case": "case.read",
    "read_study": "sweep.study",
    "read_sweep": "sweep.run",
    "run_sweep": "sweep.run",
    "write_case": "case.read",
}
"""What one imports from here, and the module that holds it."""

__all__ = [
    "Assessment",
    "Case",
    "Cast",
    "Closures",
    "HingeAxis",
    "InputError",
    "PlacedCase",
    "assess",
    "case_from_dict",
    "close",
    "inspect_case",
    "load_cast",
    "place",
    "read_case",
    "read_study",
    "read_sweep",
    "run_sweep",
    "write_case",
]


def __getattr__(name: str) -> Any:
    """Load a name of the face when it is first asked for."""
    if name not in FACE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"{__name__}.{FACE[name]}"), name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted([*globals(), *FACE])
