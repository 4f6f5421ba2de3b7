"""A plain desktop window on a case, for who wants no browser: casts, axes, the main sliders."""

from __future__ import annotations

import os
import sys
from typing import Any

import numpy as np

from kinematics.base.errors import InputError
from kinematics.base.words import CAUTION
from kinematics.case.read import Case
from viewer.app.controls import control_values
from viewer.app.session import Session
from viewer.look.palette import LIGHT, STOP_LABEL
from viewer.scene.build import build_scene, ghost_factor, standard_views
from viewer.scene.items import Surface
from viewer.scene.render import LOOK, drawing_environment, mesh_of, probe_gl
from viewer.scene.to_page import display_mesh

SIZE_PX = (1280, 800)
SLIDERS = {
    "departure_mm": ("departure, mm at the incisors (opening +)", (-12.0, 12.0)),
    "left_anterior_mm": ("left: anterior +, mm", (-15.0, 15.0)),
    "left_superior_mm": ("left: superior +, mm", (-15.0, 15.0)),
    "right_anterior_mm": ("right: anterior +, mm", (-15.0, 15.0)),
    "right_superior_mm": ("right: superior +, mm", (-15.0, 15.0)),
}
"""Text and range of every slider, mm."""
VIEW_KEYS = {"1": "oblique", "2": "left", "3": "front", "4": "occlusal"}


class CaseWindow:
    """A pyvista window that follows a session.

    Attributes
    ----------
    session : Session
    plotter : pyvista.Plotter
    message : str
        Why the last change was refused; empty otherwise.

    Notes
    -----
    *Guarantee*: a refused value leaves the last good picture; its slider returns to it.
    """

    def __init__(self, case: Case, *, off_screen: bool = False) -> None:
        import pyvista as pv

        self.session = Session(case)
        self.message = ""
        self._pv, self._colours = pv, LIGHT
        self._busy = False
        self._sliders: dict[str, Any] = {}
        self._factor = ghost_factor(self.session.reading)
        self.plotter = pv.Plotter(off_screen=off_screen, window_size=SIZE_PX, title="hingewise")
        self.plotter.set_background(self._colours.page)
        self.plotter.enable_parallel_projection()
        self._casts = self._add_casts()
        self._busy = True  # a new slider reports its start value
        self._add_sliders()
        self._busy = False
        for key, view in VIEW_KEYS.items():
            self.plotter.add_key_event(key, lambda view=view: self.look(view))
        self.plotter.add_key_event("u", self.undo)
        self.plotter.add_key_event("r", self.reset)
        self.refresh()
        self.look("oblique")

    def _add_casts(self) -> dict[str, Any]:
        """Actors of the coarse casts by layer, each in its cast's own coordinates."""
        upper, lower = self.session.reading.placed.upper, self.session.reading.placed.lower
        actors = {}
        for layer, role, cast, opacity in (
            ("upper", "upper", upper, 1.0),
            ("lower", "lower", lower, 1.0),
            ("articulator", "ghost", lower, 0.4),
        ):
            if cast is not None:
                arrays = display_mesh(cast, np.zeros(0, dtype=np.intp))
                mesh = self._pv.PolyData.from_regular_faces(
                    arrays["position"], arrays["face"].astype(np.int64)
                )
                mesh.point_data.active_normals = arrays["normal"]
                look = LOOK[Surface] | {"color": getattr(self._colours, role), "opacity": opacity}
                actors[layer] = self.plotter.add_mesh(mesh, name=layer, **look)
        return actors

    def _add_sliders(self) -> None:
        for i, (name, (text, limits)) in enumerate(SLIDERS.items()):
            y = 0.90 - 0.125 * i
            self._sliders[name] = self.plotter.add_slider_widget(
                lambda value, name=name: self.change(name, value),
                limits,
                value=0.0,
                title=text,
                pointa=(0.02, y),
                pointb=(0.25, y),
                color=self._colours.ink,
                title_height=0.016,
                slider_width=0.02,
                tube_width=0.004,
                fmt="%.1f",
                interaction_event="always",
            )

    def change(self, control: str, value: float) -> None:
        """Follow one slider."""
        if self._busy:
            return
        now = control_values(self.session.reading)[control]
        if abs(float(value) - now) < 5e-3:
            return
        try:
            self.session.change(control, round(float(value), 2), gesture=control)
            self.message = ""
        except InputError as error:
            self.message = f"{control}: got {error.got}, need {error.allowed}. {error.fix}"
        self.refresh()

    def undo(self) -> None:
        """Take the last step back."""
        self.session.undo()
        self.refresh()

    def reset(self) -> None:
        """Return to the case as opened."""
        self.session.reset()
        self.refresh()

    def refresh(self) -> None:
        """Draw the session's last good reading."""
        scene = build_scene(self.session.reading, factor=self._factor)
        for item in scene.of(*self._casts):
            if isinstance(item, Surface):
                self._casts[item.layer].user_matrix = item.pose.as_matrix()
        for layer in ("axes", "arcs", "landmarks"):
            for role in ("true", "arbitrary"):
                found = [mesh_of(i) for i in scene.of(layer) if i.role == role]
                meshes = [mesh for mesh in found if mesh is not None]
                if meshes:
                    self.plotter.add_mesh(
                        self._pv.merge(meshes),
                        color=getattr(self._colours, role),
                        name=f"{layer} {role}",
                        ambient=0.4,
                        reset_camera=False,
                    )
        self._write()
        self._busy = True
        try:
            for name, value in control_values(self.session.reading).items():
                if name in self._sliders:
                    limits = SLIDERS[name][1]
                    shown = float(np.clip(value, *limits))
                    self._sliders[name].GetRepresentation().SetValue(shown)
        finally:
            self._busy = False
        self.plotter.render()

    def _write(self) -> None:
        reading = self.session.reading
        worst, size = reading.stops[reading.stop].worst
        tolerance = reading.case.decision.tolerance_mm
        side = "within" if size <= tolerance else "BEYOND"
        head = (
            f"{1e3 * size:.0f} um at {reading.landmarks.names[worst]}: {side} the "
            f"tolerance of {1e3 * tolerance:.0f} um  ({STOP_LABEL[reading.stop]}; "
            "of this axis alone: the chance decides)"
        )
        if self.message:
            head += f"\n{self.message}"
        foot = (
            f"blue, solid: true axis   orange, dashed: arbitrary axis   see-through: lower on the "
            f"articulator, error x{self._factor}\nkeys: 1 2 3 4 views, u undo, r reset, q quit\n"
            f"{CAUTION}"
        )
        ink = self._colours.ink
        self.plotter.add_text(head, position=(360, 745), font_size=11, color=ink, name="head")
        self.plotter.add_text(foot, position=(20, 12), font_size=8, color=ink, name="foot")

    def look(self, view: str) -> None:
        """Turn to one of the standard views."""
        chosen = standard_views()[view]
        self.plotter.view_vector(tuple(-chosen.towards), viewup=tuple(chosen.up))
        self.plotter.reset_camera()
        self.plotter.camera.zoom(1.15)
        self.plotter.render()

    def picture(self) -> Any:
        """The window as an array (height, width, 3) of uint8."""
        return np.asarray(self.plotter.screenshot(return_img=True))[..., :3]


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
    shown = sys.platform == "darwin" or any(map(os.environ.get, ("DISPLAY", "WAYLAND_DISPLAY")))
    if not (off_screen or os.name != "posix" or shown):
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
    window = CaseWindow(case, off_screen=off_screen)
    if not off_screen:
        window.plotter.show()
    return window
