"""hingewise: what an arbitrary hinge axis does to the occlusion, and how sure we are.

The rooms, each importing only from its left:

    base, casts, contact, articulator, case, mounting, closure, excursions, uncertainty, decision,
    sweep; then assessment, inspection, result; then the package ``viewer``.

The way through the house: ``read_case`` reads and checks a case file; ``place`` puts casts and
both axes in the patient's frame; ``close`` closes the lower about both; ``assess`` does all of
that and decides; ``result`` writes it; ``viewer`` shows it. Lengths are millimetres, angles
degrees. The names below are the ones to import; each is loaded when it is asked for.
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
