"""Libraries that the core does without: which extra brings each, and one clear error without it."""

from __future__ import annotations

import importlib.util

from kinematics.base.errors import InputError

EXTRA_OF = {
    "matplotlib": "report",
    "pyvista": "pictures",
    "trame": "app",
    "aiohttp": "app",
    "imageio": "app",
    "imageio_ffmpeg": "app",
}
"""The extra of ``pyproject.toml`` that brings a module."""


def has(module: str) -> bool:
    """Whether a module is installed; does not load it."""
    return importlib.util.find_spec(module) is not None


def how_to_get(module: str) -> str:
    """What brings a module, in one sentence."""
    return f"In the project's folder: pip install '.[{EXTRA_OF[module]}]'"


def need(module: str, for_what: str) -> None:
    """Refuse a job whose library is not installed.

    Parameters
    ----------
    module : str
        A key of :data:`EXTRA_OF`.
    for_what : str
        The command or option that asks for it.

    Raises
    ------
    InputError
        It is not installed; names the extra.
    """
    if not has(module):
        raise InputError(
            for_what,
            f"no {module}",
            f"the extra '{EXTRA_OF[module]}'",
            how_to_get(module),
        )


def left_out() -> list[str]:
    """What a report of this installation lacks, in sentences, each with how to get it."""
    if not has("matplotlib"):
        return [
            f"report.html and the figures are left out: no matplotlib. {how_to_get('matplotlib')}"
        ]
    if not has("pyvista"):
        return [f"3-D pictures are left out: no pyvista. {how_to_get('pyvista')}"]
    return []
