"""Compiled kernels: they run wherever they come from."""

from __future__ import annotations

from kinematics.base.kernel import kernel


def test_a_kernel_without_a_file_to_cache_beside_still_runs():
    """A function that was typed in has no source file; it is compiled in every process."""
    space: dict = {}
    exec("def twice(x):\n    return 2.0 * x\n", space)
    assert kernel(space["twice"])(4.0) == 8.0
