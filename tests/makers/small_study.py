"""A small case and study on disk, and a script that runs a sweep in a process of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import trimesh

from kinematics.case.read import Case, case_from_dict, write_case
from kinematics.sweep.study import Study, study_from_dict
from tests.contact.test_samples import arches

CASE: dict[str, Any] = {
    "schema": "hingewise-case/1",
    "label": "hand",
    "true_axis": {"width_mm": 110.0},
    "arbitrary_axis": {
        "left_anterior_mm": 4.0,
        "left_superior_mm": -3.0,
        "right_anterior_mm": 5.5,
        "right_superior_mm": -1.0,
    },
    "record": {"thickness_mm": 3.0, "site": "incisors"},
    "target": {"as_scanned": True},
    "landmarks": [
        {"name": "37 cusp", "tooth": 37, "point_mm": [50.0, 25.0, -35.0]},
        {"name": "47 cusp", "tooth": 47, "point_mm": [50.0, -25.0, -35.0]},
        {"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]},
    ],
}

VARY: list[dict[str, Any]] = [
    {"field": "arbitrary_axis.left_anterior_mm", "low": -5.0, "high": 5.0},
    {"field": "record.thickness_mm", "mean": 3.0, "sd": 0.2},
]

STUDY: dict[str, Any] = {
    "schema": "hingewise-study/1",
    "case": "case.toml",
    "design": "monte_carlo",
    "samples": 45,
    "seed": 3,
    "chunk": 10,
    "vary": VARY,
}


def make_study(folder: Path, changed: dict[str, Any] | None = None, **changes: Any) -> Study:
    """Write the case beside the study and check the study; a change to None removes the key."""
    folder.mkdir(parents=True, exist_ok=True)
    write_case(case_from_dict(CASE | (changed or {}), folder=folder), folder / "case.toml")
    told = {key: value for key, value in (STUDY | changes).items() if value is not None}
    return study_from_dict(told, folder=folder)


def casts_case(folder: Path) -> dict[str, Any]:
    """Write two small casts, and return what a case with them changes."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, mesh in zip(("upper", "lower"), arches(), strict=True):
        trimesh.Trimesh(mesh.vertices, mesh.faces).export(folder / f"{name}.stl")
    eye = [[1.0, 0, 0, 0], [0, 1.0, 0, 0], [0, 0, 1.0, 0], [0, 0, 0, 1.0]]
    marks = [
        {"name": "37 cusp", "tooth": 37, "point_mm": [50.0, 25.0, -35.5]},
        {"name": "47 cusp", "tooth": 47, "point_mm": [50.0, -25.0, -35.5]},
        {"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.5]},
    ]
    return {
        "casts": {"upper": "upper.stl", "lower": "lower.stl"},
        "mounting": {"method": "matrix", "axis_orbital_from_upper_scan": eye},
        "landmarks": marks,
    }


def hand_case() -> Case:
    """The case without a folder."""
    return case_from_dict(CASE)


RUN = """
import resource, signal, sys, time
from pathlib import Path
from kinematics.base.errors import InputError
from kinematics.sweep.study import read_study
from kinematics.sweep.run import run_sweep

def main():
    study, out, workers, what = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
    def progress(p):
        print(p.rows_done, flush=True)
        if what == "slow" and p.rows_done:
            time.sleep(0.3)
        if what == "full" and p.rows_done >= 20:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (512, resource.RLIM_INFINITY))
    try:
        run_sweep(read_study(study), out, workers=workers, progress=progress)
    except InputError as error:
        print(error, flush=True)
        sys.exit(2)

if __name__ == "__main__":
    main()
"""
