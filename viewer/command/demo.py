"""Where the demo case lies: in the repository, or packed with the installed package."""

from __future__ import annotations

from pathlib import Path

from kinematics.base.errors import InputError

DEMO_FILE = "demo_case.toml"


def demo_case_path() -> Path:
    """Path of the demo case.

    Raises
    ------
    InputError
        The installation lacks it.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package.parent / "sample_meshes", package / "sample_meshes"):
        if (folder / DEMO_FILE).is_file():
            return folder / DEMO_FILE
    raise InputError(
        "demo", "no sample_meshes folder", "the demo case of the project", "Install it again."
    )
