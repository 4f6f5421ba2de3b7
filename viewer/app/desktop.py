"""A plain desktop window on a case, for who wants no browser; its contents: viewer.app.window."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

from kinematics.base.errors import InputError
from kinematics.case.read import Case
from viewer.scene.render import drawing_environment, probe_gl

if TYPE_CHECKING:
    from viewer.app.window import CaseWindow


def show_window(case: Case, *, off_screen: bool = False) -> CaseWindow:
    """Open a desktop window on a case; returns when it is closed.

    Parameters
    ----------
    case : Case
    off_screen : bool
        Draw without a display and return at once (for tests and pictures).

    Raises
    ------
    InputError
        No display, no OpenGL, or a case that cannot be used.
    """
    if not off_screen and os.name == "posix" and not _has_display():
        raise InputError(
            "--window",
            "no display",
            "a desktop session (DISPLAY)",
            "Use hingewise view without --window: the browser needs none.",
        )
    status = probe_gl()
    if not status.ok:
        raise InputError("--window", "no OpenGL", "working OpenGL", status.reason)
    if off_screen:
        os.environ.update(drawing_environment())
    from viewer.app.window import CaseWindow

    window = CaseWindow(case, off_screen=off_screen)
    if not off_screen:
        window.plotter.show()
    return window


def _has_display() -> bool:
    return sys.platform == "darwin" or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
