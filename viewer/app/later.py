"""What follows a slider's numbers after a rest: the answer, excursions, how sure it is.

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

from kinematics.assessment import Assessment
from kinematics.base.errors import HingewiseError
from kinematics.closure.close import Closures
from kinematics.decision.decide import decide
from viewer.app.excursions import BLANK, excursions_state
from viewer.app.session import Superseded, complete, spread_of
from viewer.app.texts import later_state, spread_state, weighed_state
from viewer.look.text import our_fault
from viewer.scene.to_page import mouth_state

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
        self._closed = False
        self._excursions_rev = 0

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
        """Work off every tier of a reading, or as many as come before the next change.

        Notes
        -----
        *Guarantee*: a tier that fails is told on the page; the tiers before it stay.
        """
        try:
            await self._tiers(reading, rev)
        except Superseded:
            return
        except HingewiseError as error:
            text = str(error)
        except Exception as error:  # the page still has its numbers
            text = f"Not everything was computed; {our_fault(error)}"
        else:
            return
        if self._closed or not self._is_current(rev):
            return
        self._publish(notice={"text": text, "kind": "bad"}, waiting=False)
        if self._excursions_rev != rev:
            none = BLANK | {"sentence": "Not computed: see the notice.", "rev": rev}
            self._publish(excursions=none)

    async def _tiers(self, reading: Closures, rev: int) -> None:
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

        found = await work(complete, reading, check, excursions=False)
        later = later_state(found) | {"mouth_point": mouth_state(found)}
        self._publish(later=later, **weighed_state(reading, None, found.curve))
        first = await work(_answered, reading, found, check, first=True)
        if first:
            self._publish(waiting=False, **first | {"later": later | first["later"]})
        ways = await work(
            excursions_state, reading, rev, check, lambda state: say(excursions=state)
        )
        self._publish(excursions=ways)
        self._excursions_rev = rev
        progress = _Told(reading, lambda text: say(later=later | {"spread": [text]}))
        last = await work(_answered, reading, found, check, progress)
        self._publish(waiting=False, **last | {"later": later | last["later"]})

    def _say(self, rev: int, values: dict[str, Any]) -> None:
        if self._is_current(rev):
            self._publish(**values)


class _Told:
    """Says how far the trials are where they take long, each percentage once."""

    def __init__(self, reading: Closures, say: Callable[[str], None]) -> None:
        self._slow, self._say, self._text = reading.stop == "contact", say, ""

    def __call__(self, share: float) -> None:
        text = SPREAD_COMING.format(100.0 * share)
        if self._slow and text != self._text:
            self._text = text
            self._say(text)


def _answered(
    reading: Closures,
    found: Assessment,
    check: Callable[[], None],
    tell: Callable[[float], None] = lambda share: None,
    *,
    first: bool = False,
) -> dict[str, Any]:
    """The answer by its chances and how sure it is, as values of the page; or why there is none."""
    try:
        spread = spread_of(reading, check, tell, first=first)
    except HingewiseError as error:
        return {"later": {"spread": [str(error)]}}
    if spread is None:
        return {}
    answer = decide(reading, spread)
    return weighed_state(reading, answer, found.curve) | {
        "later": {"spread": spread_state(spread, answer)}
    }
