"""The desk between a session and its pages: what no page of ours sends does not end it."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.app.test_excursions import PageServer
from tests.makers.cases import landmarks_only
from viewer.app import desk as desk_module
from viewer.app import later as later_module
from viewer.app.desk import Desk
from viewer.app.session import Session

MALFORMED = {
    "remove_landmark": ("x",),
    "change": (["stop"], {"a": 1}),
    "pick": ("landmark", "a", [1]),
    "add_point": ("landmark", "x", "y", None),
    "save": ("../x.toml", True),
    "exaggerate": ([1],),
}


async def works_on(desk, server, work):
    desk.change("left_anterior_mm", 2.5)
    async with asyncio.timeout(60):
        while server.state["numbers"]["controls"]["left_anterior_mm"] != 2.5:
            assert not work.done(), work.exception()
            await asyncio.sleep(0.02)


@pytest.mark.parametrize("name", MALFORMED)
def test_a_malformed_message_is_answered_and_the_desk_works_on(name):
    session, server = Session(landmarks_only()), PageServer()

    async def use():
        desk = Desk(session, server)
        work = asyncio.ensure_future(desk.work())
        try:
            getattr(desk, name)(*MALFORMED[name])
            await works_on(desk, server, work)
        finally:
            work.cancel()
            desk.close()

    with ThreadPoolExecutor(1) as pool:  # the browser tests keep a loop running in this thread
        pool.submit(lambda: asyncio.run(use())).result(90)
    if name == "remove_landmark":
        told = [v for k, v in server.state.order if k == "notice" and v["text"]]
        assert "not done" in told[0]["text"]
        assert "ValueError" in told[0]["text"]


@pytest.mark.parametrize(
    ("module", "name", "kept"),
    [
        (desk_module, "quick_curve", False),
        (later_module, "complete", False),
        (later_module, "_answered", False),
    ],
)
def test_a_computation_that_fails_is_told_and_the_desk_works_on(monkeypatch, module, name, kept):
    session, server = Session(landmarks_only(uncertainty={"seed": 1})), PageServer()

    def broken(*_args, **_more):
        raise ZeroDivisionError("a fault of ours")

    async def use():
        desk = Desk(session, server)
        monkeypatch.setattr(module, name, broken)
        work = asyncio.ensure_future(desk.work())
        try:
            async with asyncio.timeout(60):
                while "a fault of ours" not in server.state["notice"]["text"]:
                    assert not work.done(), work.exception()
                    await asyncio.sleep(0.02)
            assert not server.state["waiting"]
            if module is later_module:
                await asyncio.sleep(0.02)
                shown = server.state["excursions"]
                assert bool(shown["rows"]) == kept
                assert kept or "see the notice" in shown["sentence"]
            await works_on(desk, server, work)
        finally:
            work.cancel()
            desk.close()

    with ThreadPoolExecutor(1) as pool:
        pool.submit(lambda: asyncio.run(use())).result(120)
