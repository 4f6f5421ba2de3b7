"""Compile the hot loops: one decorator for every numba kernel of the project."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numba

PACKAGE = next(p for p in Path(__file__).resolve().parents if p.name == "kinematics")
"""Folder of the package, below which kernels stand."""


def _sources_digest() -> str:
    """Digest of every module that holds kernels, so that a cached caller never goes stale.

    numba checks only the file of the cached function itself, not those of the kernels that
    were compiled into it.
    """
    digest = hashlib.sha256()
    holders = 0
    for path in sorted(PACKAGE.rglob("*.py")):
        text = path.read_bytes()
        if b"\n@kernel\n" in text:
            holders += 1
            digest.update(str(path.relative_to(PACKAGE)).encode() + text)
    if not holders:
        raise RuntimeError(f"no module below {PACKAGE} holds a kernel: cached kernels go stale")
    return digest.hexdigest()


_DIGEST = _sources_digest()


def kernel(function: Callable[..., Any]) -> Any:
    """Compile a function with numba: no GIL, strict floating point, cached on disk.

    Notes
    -----
    Where no folder for the cache can be written, the kernel is compiled in every process. A kernel
    checks no bounds of its arrays: its callers in Python check shapes.
    """
    options: dict[str, Any] = {"nogil": True, "error_model": "numpy"}
    try:
        compiled = numba.njit(cache=True, **options)(function)
        stamp = compiled._cache._cache_file
        stamp._source_stamp = (stamp._source_stamp, _DIGEST)
    except (RuntimeError, OSError, AttributeError):
        return numba.njit(**options)(function)
    return compiled
