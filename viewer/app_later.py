"""What follows a slider's numbers after a rest: the whole verdict, excursions, how sure it is.

Each tier is published as soon as it is there, waits while a request is worked off, and is given up
when the case has changed.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from kinematics.closures import Closures
from kinematics.errors import HingewiseError
from viewer.app_charts import CURVE_BOX, curve_chart
from viewer.app_excursions import BLANK, excursions_state
from viewer.app_scene import mouth_state
from viewer.app_state import Superseded, complete, spread_of
from viewer.app_view import answer_state, later_state

ASIDE_S = 0.004
"""How often a longer computation looks whether it may go on while a request is worked off."""
SPREAD_COMING = "How sure this is: chance draws where the axes may lie, {:.0f} % done…"


class Later:
    """Works off the tiers of one reading at a time.

    Parameters
    ----------
    publish : callable
        Takes values of the page by name; called in the event loop only.
    is_current : callable
        Whether a revision is still the session's.
    is_engaged : callable
        Whether a request waits or is being worked off.
    """

    def __init__(
        self,
        publish: Callable[..., None],
        is_current: Callable[[int], bool],
        is_engaged: Callable[[], bool],
    ) -> None:
        self._publish, self._is_current, self._is_engaged = publish, is_current, is_engaged
        self._pool = ThreadPoolExecutor(1, "later")

    _closed = False

    def close(self) -> None:
        """End the thread, at its next look whether it may go on."""
        self._closed = True
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _check(self, rev: int) -> None:
        """Wait while a slider is answered; give up once its case is another one."""
        while self._is_engaged() and not self._closed:
            time.sleep(ASIDE_S)
        if self._closed or not self._is_current(rev):
            raise Superseded

    async def run(self, reading: Closures, rev: int) -> None:
        """Work off every tier of a reading, or as many as come before the next change."""
        loop = asyncio.get_running_loop()
        check = partial(self._check, rev)

        def say(**values: Any) -> None:
            """From the pool's thread."""
            loop.call_soon_threadsafe(self._say, rev, values)

        async def work(function: Callable[..., Any], *args: Any, **more: Any) -> Any:
            found = await loop.run_in_executor(self._pool, partial(function, *args, **more))
            if not self._is_current(rev):
                raise Superseded
            return found

        try:
            found = await work(complete, reading, check, excursions=False)
        except Superseded:
            return
        except HingewiseError as error:
            none = BLANK | {"sentence": "Not computed: see the notice.", "rev": rev}
            notice = {"text": str(error), "kind": "bad"}
            self._publish(notice=notice, waiting=False, excursions=none)
            return
        later = later_state(found) | {"mouth_point": mouth_state(found)}
        even = found.verdict.break_even_departure_mm
        self._publish(
            answer=answer_state(reading, found.verdict),
            curve=curve_chart(reading, found.curve, even, CURVE_BOX),
            later=later,
            waiting=False,
        )
        try:
            ways = await work(
                excursions_state, reading, rev, check, lambda state: say(excursions=state)
            )
            self._publish(excursions=ways)
            if reading.case.uncertainty is not None:
                told = _Told(reading, lambda text: say(later=later | {"spread": [text]}))
                spread = await work(_spread, reading, check, told)
                self._publish(later=later | {"spread": spread})
        except Superseded:
            return

    def _say(self, rev: int, values: dict[str, Any]) -> None:
        if self._is_current(rev):
            self._publish(**values)


class _Told:
    """Says how far the trials are where they take long, each percentage once."""

    def __init__(self, reading: Closures, say: Callable[[str], None]) -> None:
        self._slow, self._say, self._text = reading.decision == "contact", say, ""

    def __call__(self, share: float) -> None:
        text = SPREAD_COMING.format(100.0 * share)
        if self._slow and text != self._text:
            self._text = text
            self._say(text)


def _spread(
    reading: Closures, check: Callable[[], None], tell: Callable[[float], None]
) -> list[str]:
    try:
        return spread_of(reading, check, tell)
    except HingewiseError as error:
        return [str(error)]
