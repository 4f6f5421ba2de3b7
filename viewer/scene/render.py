"""Scene to pixels with pyvista, which is imported inside the functions only."""

from __future__ import annotations

import functools
import os
import subprocess
import sys
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.look.extras import has, how_to_get
from viewer.look.palette import colours, signed_table
from viewer.scene.items import (
    Item,
    Label,
    Plane,
    Points,
    Projection,
    Scene,
    Surface,
    Tube,
    fit,
    points_of,
)

DEBIAN_PACKAGES = ("libegl1", "libgl1", "libgl1-mesa-dri")
"""What brings off-screen OpenGL to a bare Debian machine."""
PROBE_SECONDS = 90.0
"""Longest wait for the trial picture."""
PROBE = (
    "import pyvista as p, numpy as n; q = p.Plotter(off_screen=True, window_size=(64, 48)); "
    "q.add_mesh(p.Sphere(), color='red'); a = q.screenshot(return_img=True); q.close(); "
    "raise SystemExit(0 if n.ptp(a) > 0 else 3)"
)
"""A trial picture; run in a process of its own, because a missing library crashes VTK."""


@dataclass(frozen=True)
class GlStatus:
    """Whether 3-D pictures can be drawn here.

    Attributes
    ----------
    ok : bool
    reason : str
        Empty, or one plain sentence that says why not and what to install.
    """

    ok: bool
    reason: str


@dataclass(frozen=True, eq=False)
class Picture:
    """One drawn view.

    Attributes
    ----------
    rgb : ndarray of uint8, shape (height, width, 3)
    projection : Projection
        Puts text at the right pixel.
    labels : tuple of Label
        Labels of the layers shown; the caller writes them.
    """

    rgb: NDArray[np.uint8]
    projection: Projection
    labels: tuple[Label, ...]


def drawing_environment() -> dict[str, str]:
    """Environment in which VTK draws without a screen."""
    environment = dict(os.environ)
    if not environment.get("DISPLAY"):
        environment.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    return environment


@functools.cache
def probe_gl() -> GlStatus:
    """Draw a trial picture in a process of its own, once.

    Notes
    -----
    *Guarantee*: never raises and never crashes the calling process. ``HINGEWISE_NO_GL=1`` in the
    environment answers "no" without trying.
    """
    install = f"On Debian: apt install {' '.join(DEBIAN_PACKAGES)}"
    if os.environ.get("HINGEWISE_NO_GL"):
        return GlStatus(False, f"3-D drawing is switched off by HINGEWISE_NO_GL. {install}")
    if not has("pyvista"):
        return GlStatus(False, f"pyvista is not installed. {how_to_get('pyvista')}")
    try:
        done = subprocess.run(
            [sys.executable, "-c", PROBE],
            env=drawing_environment(),
            capture_output=True,
            timeout=PROBE_SECONDS,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return GlStatus(False, f"OpenGL did not answer within {PROBE_SECONDS:.0f} s. {install}")
    except OSError as error:
        return GlStatus(False, f"the trial picture could not be started ({error}). {install}")
    if done.returncode == 0:
        return GlStatus(True, "")
    lines = done.stderr.decode(errors="replace").strip().splitlines()
    detail = lines[-1][:160] if lines else f"exit {done.returncode}"
    return GlStatus(False, f"OpenGL is missing or does not work here ({detail}). {install}")


def mesh_of(item: Item) -> Any:
    """An item as a pyvista mesh; None for a label or where there is nothing to draw."""
    import pyvista as pv

    if isinstance(item, Surface):
        poly = pv.PolyData.from_regular_faces(item.vertices_mm, item.cast.faces)
        # Point normals without splitting keep the scalars where they are.
        return poly.compute_normals(
            cell_normals=False,
            split_vertices=False,
            auto_orient_normals=False,
            consistent_normals=False,
        )
    if isinstance(item, Tube):
        lines = [pv.MultipleLines(piece) for piece in item.pieces if len(piece) > 1]
        if not lines:
            return None
        block = pv.merge(lines) if len(lines) > 1 else lines[0]
        surface = block.extract_surface(algorithm=None)
        return surface.tube(radius=item.radius_mm, n_sides=20, capping=True)
    if isinstance(item, Points) and len(item.points_mm):
        ball = pv.Sphere(radius=item.radius_mm, theta_resolution=24, phi_resolution=24)
        return pv.PolyData(np.array(item.points_mm)).glyph(geom=ball, scale=False, orient=False)
    if isinstance(item, Plane):
        return pv.PolyData(np.array(item.corners_mm), faces=[4, 0, 1, 2, 3])
    return None


def coarser(
    vertices_mm: NDArray[np.float64], faces: NDArray[np.int32], most: int
) -> tuple[NDArray[np.float64], NDArray[Any]]:
    """Points (n, 3) and triangles (m, 3) of a copy with about ``most`` triangles."""
    import pyvista as pv

    mesh = pv.PolyData.from_regular_faces(np.array(vertices_mm), np.array(faces))
    coarse = mesh.decimate(1.0 - most / len(faces))
    return np.asarray(coarse.points, dtype=np.float64), coarse.regular_faces


def signed_lookup(limit_um: float, missing: str) -> Any:
    """Colours of the signed map as a pyvista table; ``missing`` where there is no value."""
    import pyvista as pv

    table = pv.LookupTable()
    rgba = np.column_stack([signed_table(257), np.ones(257)])
    table.values = np.round(255 * rgba).astype(np.uint8)
    table.scalar_range = (-limit_um, limit_um)
    table.nan_color = missing
    return table


LOOK: dict[type, dict[str, Any]] = {
    Surface: {
        "smooth_shading": True, "ambient": 0.3, "diffuse": 0.8, "specular": 0.12,
        "specular_power": 12,
    },
    Tube: {"ambient": 0.45, "diffuse": 0.6, "smooth_shading": True},
    Points: {"ambient": 0.4, "diffuse": 0.65, "smooth_shading": True},
    Plane: {"lighting": False},
}  # fmt: skip
"""How light falls on each kind of item."""


def add_item(plotter: Any, item: Item, scene: Scene, cast_opacity: float) -> Any:
    """Add one item to a plotter and return its actor (None for a label)."""
    mesh = mesh_of(item)
    if mesh is None:
        return None
    colour, look = getattr(colours(scene.theme), item.role), dict(LOOK[type(item)])
    if isinstance(item, Surface):
        look["opacity"] = item.opacity * cast_opacity
        if item.signed_um is not None:
            mesh.point_data["signed_um"] = item.signed_um
            table = signed_lookup(scene.signed_limit_um, colour)
            return plotter.add_mesh(
                mesh, scalars="signed_um", cmap=table, show_scalar_bar=False, **look
            )
    if isinstance(item, Plane):
        look["opacity"] = item.opacity
    return plotter.add_mesh(mesh, color=colour, **look)


def to_plotter(
    scene: Scene,
    *,
    view: str = "oblique",
    layers: tuple[str, ...] | None = None,
    size_px: tuple[int, int] = (1200, 800),
) -> tuple[Any, dict[str, list[Any]]]:
    """Fill a new off-screen pyvista plotter with a scene.

    Parameters
    ----------
    scene : Scene
    view : str
        Name in ``scene.views``.
    layers : tuple of str, optional
        Layers to add; default those of the view.

    Returns
    -------
    pyvista.Plotter, dict of list
        The plotter, and its actors by layer. Labels are left to the caller.
    """
    import pyvista as pv

    chosen = scene.views[view]
    shown = chosen.layers if layers is None else layers
    plotter = pv.Plotter(off_screen=True, window_size=size_px, lighting="none")
    plotter.set_background(colours(scene.theme).page)
    actors: dict[str, list[Any]] = {}
    for item in scene.of(*shown):
        actor = add_item(plotter, item, scene, chosen.cast_opacity)
        if actor is not None:
            actors.setdefault(item.layer, []).append(actor)
    projection = projection_of(scene, view, shown, size_px)
    camera = plotter.camera
    camera.focal_point = tuple(projection.focal_mm)
    camera.position = tuple(projection.focal_mm - 600.0 * projection.towards)
    camera.up = tuple(projection.up)
    camera.parallel_projection = True
    camera.parallel_scale = projection.half_height_mm
    add_lights(plotter, projection)
    plotter.reset_camera_clipping_range()
    return plotter, actors


def add_lights(plotter: Any, projection: Projection) -> None:
    """One key light over the viewer's left shoulder, one weak fill from the right."""
    import pyvista as pv

    for side, height, strength in ((-0.7, 1.1, 0.85), (1.2, 0.3, 0.35)):
        away = -projection.towards + side * projection.right + height * projection.up
        light = pv.Light(
            position=tuple(projection.focal_mm + 600.0 * away),
            focal_point=tuple(projection.focal_mm),
            color="white",
            intensity=strength,
        )
        light.positional = False
        plotter.add_light(light)


def projection_of(
    scene: Scene, view: str, layers: tuple[str, ...], size_px: tuple[int, int]
) -> Projection:
    """Projection of a named view that holds every item of the layers (the plane may run out)."""
    items = [i for i in scene.of(*layers) if not isinstance(i, Plane)]
    clouds = [points_of(i) for i in items]
    points = np.concatenate(clouds) if clouds else np.zeros((0, 3))
    return fit(scene.views[view], points, size_px)


def render(
    scene: Scene,
    view: str = "oblique",
    *,
    layers: tuple[str, ...] | None = None,
    size_px: tuple[int, int] = (1600, 1000),
) -> Picture:
    """Draw one view off the screen.

    Parameters
    ----------
    scene, view, layers
        As in :func:`to_plotter`.
    size_px : (int, int)
        Width and height.

    Raises
    ------
    RuntimeError
        OpenGL is not available (see :func:`probe_gl`); the text says what to install.
    """
    status = probe_gl()
    if not status.ok:
        raise RuntimeError(status.reason)
    os.environ.update(drawing_environment())
    shown = scene.views[view].layers if layers is None else layers
    plotter, _ = to_plotter(scene, view=view, layers=shown, size_px=size_px)
    try:
        plotter.enable_depth_peeling(8)
        plotter.enable_anti_aliasing("ssaa")
        rgb = np.asarray(plotter.screenshot(return_img=True))[..., :3]
    finally:
        plotter.close()
    labels = tuple(i for i in scene.of(*shown) if isinstance(i, Label))
    return Picture(rgb, projection_of(scene, view, shown, size_px), labels)
