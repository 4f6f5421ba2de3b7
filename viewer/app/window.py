"""The desktop window's contents: casts, both axes and the main sliders in pyvista."""

from __future__ import annotations

from typing import Any

import numpy as np

from kinematics.base.errors import InputError
from kinematics.base.words import CAUTION
from kinematics.case.read import Case
from viewer.app.controls import control_values
from viewer.app.session import Session
from viewer.look.palette import STOP_LABEL, Theme, colours
from viewer.look.text import nice_factor
from viewer.scene.build import standard_views
from viewer.scene.to_page import display_mesh, scene_state

SIZE_PX = (1280, 800)
GHOST_MM = 3.0
"""How far apart the exaggerated lower is drawn (ours)."""
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

    def __init__(self, case: Case, *, off_screen: bool = False, theme: Theme = "light") -> None:
        import pyvista as pv

        self.session = Session(case)
        self.message = ""
        self._pv, self._colours = pv, colours(theme)
        self._busy = False
        self._sliders: dict[str, Any] = {}
        result = self.session.reading.stops[self.session.reading.decision]
        self._factor = nice_factor(float(result.magnitude_mm.max()), GHOST_MM)
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
        placed, actors = self.session.reading.placed, {}
        for name, cast in (("upper", placed.upper), ("lower", placed.lower)):
            if cast is None:
                continue
            arrays = display_mesh(cast, np.zeros(0, dtype=np.intp))
            mesh = self._pv.PolyData.from_regular_faces(
                arrays["position"], arrays["face"].astype(np.int64)
            )
            mesh.point_data.active_normals = arrays["normal"]
            look = {"interpolation": "Phong", "ambient": 0.3, "specular": 0.1}
            actors[name] = self.plotter.add_mesh(
                mesh, color=getattr(self._colours, name), name=name, **look
            )
            if name == "lower":
                actors["ghost"] = self.plotter.add_mesh(
                    mesh.copy(), color=self._colours.ghost, opacity=0.4, name="ghost", **look
                )
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
        now = self._values()[control]
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

    def _values(self) -> dict[str, Any]:
        reading = self.session.reading
        return control_values(reading.placed, reading.geometry)

    def refresh(self) -> None:
        """Draw the session's last good reading."""
        pv, reading = self._pv, self.session.reading
        scene = scene_state(reading, self._factor)
        for name, key in (("lower", "target"), ("ghost", "ghost")):
            if name in self._casts:
                self._casts[name].user_matrix = np.array(scene[key]).reshape(4, 4).T
        for kind in ("axes", "arcs"):
            for role in ("true", "arbitrary"):
                lines = [i for i in scene["lines"] if (i["layer"], i["role"]) == (kind, role)]
                tubes = [
                    pv.MultipleLines(np.array(piece)).tube(radius=line["radius"], n_sides=12)
                    for line in lines
                    for piece in line["pieces"]
                    if len(piece) > 1
                ]
                self.plotter.add_mesh(
                    pv.merge(tubes),
                    color=getattr(self._colours, role),
                    name=f"{kind} {role}",
                    ambient=0.4,
                    reset_camera=False,
                )
        self._write()
        self._busy = True
        try:
            for name, value in self._values().items():
                if name in self._sliders:
                    limits = SLIDERS[name][1]
                    shown = float(np.clip(value, *limits))
                    self._sliders[name].GetRepresentation().SetValue(shown)
        finally:
            self._busy = False
        self.plotter.render()

    def _write(self) -> None:
        reading = self.session.reading
        result = reading.stops[reading.decision]
        size = result.magnitude_mm
        worst = int(np.argmax(size))
        tolerance = reading.case.decision.tolerance_mm
        verdict = "within" if size[worst] <= tolerance else "BEYOND"
        head = (
            f"{1e3 * size[worst]:.0f} um at {reading.landmarks.names[worst]}: {verdict} the "
            f"tolerance of {1e3 * tolerance:.0f} um  (stop: {STOP_LABEL[reading.decision]})"
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
