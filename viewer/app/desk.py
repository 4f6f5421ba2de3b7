"""The desk between a session and its pages: takes requests, works them off, publishes states.

One request of a kind waits at most: a newer value of a slider replaces the older one, so that a
drag never builds a backlog.
"""

from __future__ import annotations

import asyncio
import itertools
import shutil
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from kinematics.base.errors import HingewiseError, InputError
from kinematics.base.words import CAUTION
from kinematics.closure.close import Closures
from viewer.app import points as app_points
from viewer.app.excursions import BLANK, FRONT_CHOICES
from viewer.app.export import export, save_case, slug
from viewer.app.later import Later
from viewer.app.page import map_table, template
from viewer.app.session import Session, quick_curve
from viewer.app.texts import NOT_YET, numbers_state, weighed_state
from viewer.figures.page_charts import ARCS_BOX, arcs_chart
from viewer.look.text import NICE_FACTORS, our_fault
from viewer.scene.build import ghost_factor
from viewer.scene.to_page import casts_payload, scene_state

REST_S = 0.6
"""Pause after the last change before the longer computations start."""
FACTORS = tuple(f for f in NICE_FACTORS if f <= 200)
"""Exaggerations that the page offers."""


class Desk:
    """Works off the page's requests for one session.

    Attributes
    ----------
    session : Session
    """

    def __init__(self, session: Session, server: Any) -> None:
        self.session, self._server, self._state = session, server, server.state
        self._jobs: dict[str, Callable[[], Any]] = {}
        self._wake = asyncio.Event()
        self._pool = ThreadPoolExecutor(1, "numbers")
        self._export_pool = ThreadPoolExecutor(1, "export")
        self._later = Later(
            self._set,
            lambda rev: self.session.rev == rev,
            lambda: bool(self._jobs) or self._answering,
        )
        self._folder = Path(tempfile.mkdtemp(prefix="hingewise-view-"))
        self._casts: tuple[Any, bytes] | None = None
        self._casts_rev = 1
        self._answering = False
        self._notice: dict[str, str] | None = None
        self._finishing: asyncio.Future[None] | None = None
        self._weighed = self._finished = 0  # revisions
        self._number = itertools.count(1)
        self._points = app_points.Pending()
        self._factor = ghost_factor(session.reading, FACTORS[-1])
        self._errors: dict[str, str] = {}
        self._rev = 0
        self._publish_first()
        trigger = server.trigger
        trigger("change")(self.change)
        trigger("undo")(lambda *_: self._button(self.session.undo))
        trigger("redo")(lambda *_: self._button(self.session.redo))
        trigger("reset")(lambda *_: self._button(self.session.reset))
        trigger("exaggerate")(self.exaggerate)
        trigger("pick")(self.pick)
        trigger("add_point")(self.add_point)
        trigger("remove_landmark")(self.remove_landmark)
        trigger("mount_fiducials")(self.mount_fiducials)
        trigger("save")(self.save)
        trigger("export")(self.export)
        trigger("dismiss")(lambda *_: self._set(notice={"text": "", "kind": ""}))

    # -- requests ---------------------------------------------------------------------------

    def change(self, control: Any, value: Any, gesture: Any = "") -> None:
        """Ask for one control's new value; replaces one that still waits."""
        name = str(control)[:40]
        self._ask(
            f"change {name}", lambda: self.session.change(name, value, str(gesture)[:60]), name
        )

    def exaggerate(self, factor: Any) -> None:
        """Set the exaggeration to one of the offered factors."""
        if factor in FACTORS:
            self._factor = int(factor)
            self._ask("redraw", lambda: None)

    def pick(self, kind: Any, origin: Any, direction: Any) -> None:
        """Find the point that a click meets on the full mesh."""

        def work() -> None:
            self._points.pick(self.session.reading, str(kind), origin, direction)

        self._ask("pick", work, "point")

    def add_point(self, kind: Any, name: Any, tooth: Any, at: Any) -> None:
        """Put the picked point into the case (or on the list of fiducials)."""

        def work() -> None:
            case = self._points.add(self.session.reading, str(kind), str(name), tooth, at)
            if case is not None:
                self.session.put(case)

        self._ask(f"point {next(self._number)}", work, "point")

    def remove_landmark(self, index: Any) -> None:
        """Remove one landmark of the case."""

        def work() -> None:
            self.session.put(app_points.without_landmark(self.session.case, int(index)))

        self._ask(f"remove {next(self._number)}", work, "point")

    def mount_fiducials(self, *_: Any) -> None:
        """Mount the upper by the picked fiducials."""

        def work() -> None:
            self.session.put(self._points.mounted(self.session.reading))
            self._points.fiducials.clear()

        self._ask("mount", work, "point")

    def save(self, name: Any, overwrite: Any) -> None:
        """Write the changed case beside the one it came from."""

        def work() -> None:
            path = save_case(self.session.case, str(name), overwrite=overwrite is True)
            self.session.saved = self.session.case
            self._notice = {"text": f"Saved {path.name} in {path.parent}.", "kind": "good"}

        self._ask("save", work, "save")

    def export(self, kind: Any, theme: Any, view: Any) -> None:
        """Make a report, an archive or an animation in the background."""
        if self._state.busy:
            return
        words = {"report": "Writing the report…", "all": "Writing everything…"}
        self._set(busy=words.get(str(kind), "Drawing the animation…"), made={})
        task = asyncio.ensure_future(self._export(str(kind), str(theme), str(view)))
        self._exporting = task

    async def _export(self, kind: str, theme: str, view: str) -> None:
        loop = asyncio.get_running_loop()
        errors = {k: v for k, v in self._errors.items() if k != "export"}
        made: dict[str, str] = {}
        how = (self.session.reading, kind, self._folder, theme, view, self._factor)
        try:
            path = await loop.run_in_executor(self._export_pool, export, *how)
            made = {"url": f"made/{path.name}", "name": path.name}
        except HingewiseError as error:
            errors["export"] = str(error)
        except Exception as error:
            errors["export"] = f"It could not be made: {error}"
        self._errors = errors
        self._set(busy="", made=made, errors=dict(errors))

    def made_file(self, name: str) -> Path | None:
        """An exported file by its bare name, or None."""
        path = self._folder / name
        return path if path.parent == self._folder and path.is_file() else None

    def _button(self, act: Callable[[], Any]) -> None:
        self._ask(f"button {next(self._number)}", act, "*")

    def _ask(self, key: str, work: Callable[[], Any], field: str = "") -> None:
        self._jobs[key] = lambda: self._run(work, field)
        self._wake.set()

    # -- work -------------------------------------------------------------------------------

    def _run(self, work: Callable[[], Any], field: str) -> None:
        try:
            work()
        except InputError as error:
            self._errors[field] = f"Got {error.got}; need {error.allowed}. {error.fix}"
            return
        except Exception as error:  # the session is as it was, and the viewer goes on
            self._notice = {"text": f"That was not done; {our_fault(error)}", "kind": "bad"}
            return
        if field == "*":
            self._errors = {}
        else:
            self._errors.pop(field, None)

    async def work(self) -> None:
        """Work off requests for ever: numbers first, then diagrams, then what takes longer."""
        while True:
            try:
                await self._step(asyncio.get_running_loop())
            except Exception as error:  # the viewer goes on with what is shown
                self._answering = False
                text = f"Not everything was drawn; {our_fault(error)}"
                self._set(notice={"text": text, "kind": "bad"}, waiting=False)

    async def _step(self, loop: asyncio.AbstractEventLoop) -> None:
        if self._jobs:
            key = next(iter(self._jobs))
            self._answering = True
            job = self._jobs.pop(key)
            await loop.run_in_executor(self._pool, job)
            await self._publish_numbers(loop)
            self._answering = False
            return
        reading, rev = self.session.reading, self.session.rev
        if self._weighed != rev:
            self._weighed = rev
            curve = await loop.run_in_executor(self._pool, quick_curve, reading)
            if not self._jobs:
                self._set(waiting=True, **weighed_state(reading, None, curve))
            return
        if self._finished != rev and (self._finishing is None or self._finishing.done()):
            if await self._woken(REST_S):
                return
            self._finished = rev
            self._finishing = asyncio.ensure_future(self._later.run(reading, rev))
            self._finishing.add_done_callback(lambda _: self._wake.set())
            return
        await self._woken(None)

    async def _woken(self, seconds: float | None) -> bool:
        self._wake.clear()
        if self._jobs:
            return True
        try:
            await asyncio.wait_for(self._wake.wait(), seconds)
        except TimeoutError:
            return False
        return True

    # -- publishing -------------------------------------------------------------------------

    def _set(self, **values: Any) -> None:
        with self._state as state:
            for name, value in values.items():
                state[name] = value

    async def _publish_numbers(self, loop: Any) -> None:
        reading, rev = self.session.reading, self.session.rev
        changed = rev != self._rev
        values: dict[str, Any] = {"errors": dict(self._errors), "steps": self.session.steps()}
        if changed:
            values |= {"numbers": numbers_state(reading), "waiting": True, "rev": rev}
        if self._notice is not None:
            values["notice"], self._notice = self._notice, None
        self._set(**values)
        await asyncio.sleep(0)
        picture = await loop.run_in_executor(self._pool, self._picture, reading)
        self._rev = rev
        self._set(**picture)

    def _picture(self, reading: Closures) -> dict[str, Any]:
        lower = reading.placed.lower
        if self._casts is None or self._casts[0] is not lower:
            self._casts_rev += self._casts is not None
            self._casts = (lower, b"")
        scene = scene_state(reading, self._factor)
        scene["points"] += self._points.marker()
        return {
            "scene": scene,
            "arcs": arcs_chart(reading, self._factor, ARCS_BOX),
            "factor": self._factor,
            "casts_rev": self._casts_rev,
            "points": self._points.state(reading.case),
            "picked": self._points.picked_state(),
            "about": self._about(reading),
        }

    def _about(self, reading: Closures) -> dict[str, Any]:
        numbers = numbers_state(reading)
        return {
            "file": f"hingewise-{slug(reading.case.label)}",
            "lines": [
                f"{numbers['label']}: departure {numbers['departure']} mm at the incisors, stop "
                f"{numbers['decision_name']}, largest error {numbers['size']} µm "
                f"({numbers['at'] or 'nowhere'}), tolerance {numbers['tolerance']} µm",
                f"Lower on the articulator: error drawn ×{self._factor}.",
                CAUTION,
            ],
        }

    def _publish_first(self) -> None:
        reading = self.session.reading
        first = {
            "trame__template_main": template(),
            "trame__template_error": template(),
            "trame__title": f"hingewise: {reading.case.label}",
            "trame__vue_use": ["hingewise"],
            "trame_error_report_msg": "",
            "numbers": numbers_state(reading),
            **weighed_state(reading, None, quick_curve(reading)),
            "later": dict(NOT_YET),
            "errors": {},
            "excursions": dict(BLANK),
            "rev": self.session.rev,
            "steps": self.session.steps(),
            "notice": {"text": "", "kind": ""},
            "busy": "",
            "made": {},
            "waiting": False,
            "table": map_table(),
            "factors": list(FACTORS),
            "fronts": FRONT_CHOICES,
            "has_casts": reading.placed.lower is not None,
            **self._picture(reading),
        }
        self._state.update(first)
        self._rev = self.session.rev

    async def casts(self) -> bytes:
        """Display meshes of the current casts, made once."""
        placed = self.session.reading.placed
        if self._casts is None or self._casts[0] is not placed.lower or not self._casts[1]:
            loop = asyncio.get_running_loop()
            body = await loop.run_in_executor(self._pool, casts_payload, placed)
            self._casts = (placed.lower, body)
        return self._casts[1]

    def close(self) -> None:
        """End the threads and remove the exported files."""
        self._pool.shutdown(wait=False, cancel_futures=True)
        self._export_pool.shutdown(wait=False, cancel_futures=True)
        self._later.close()
        shutil.rmtree(self._folder, ignore_errors=True)
