"""Versions of Python and of the libraries that a result comes from."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from functools import cache
from importlib.metadata import PackageNotFoundError, version


def versions(packages: Sequence[str]) -> dict[str, str]:
    """Version of Python, then of each package; "not installed" where it is absent."""
    return {"python": platform.python_version()} | {name: version_of(name) for name in packages}


@cache
def version_of(name: str) -> str:
    """Version of one package."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"
