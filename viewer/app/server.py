"""The browser viewer: serve one case on the loopback until it is stopped."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import sys
import webbrowser
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from kinematics.base.errors import InputError
from kinematics.case.read import Case
from viewer.app.desk import Desk
from viewer.app.page import CLIENT, index_html, palette_css
from viewer.app.security import HOST, guard, new_token
from viewer.app.session import Session

LARGEST_PORT = 65535
SECRET = "wslink-secret"
"""The library's own word, the same everywhere: the token of the address is what protects."""


def check_port(port: int) -> None:
    """Refuse a port that cannot be bound.

    Raises
    ------
    InputError
        Out of range, in use, or reserved.
    """
    if not 0 <= port <= LARGEST_PORT:
        raise InputError("--port", str(port), f"0 to {LARGEST_PORT}", "0 takes any free port.")
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((HOST, port))
        except OSError as error:
            reason = (error.strerror or "not available").lower()
            raise InputError(
                "--port", f"{port} ({reason})", "a free port", "Leave it out, or name another."
            ) from None


def serve(
    case: Case,
    *,
    port: int = 0,
    open_browser: bool = True,
    started: Callable[[str], None] | None = None,
    stop: asyncio.Event | None = None,
) -> None:
    """Show a case in the browser until Ctrl+C.

    Parameters
    ----------
    case : Case
    port : int
        On 127.0.0.1; 0 takes a free one.
    open_browser : bool
        Whether to open the address in the user's browser.
    started : callable, optional
        Called with the address, token included, once the server listens; default prints it.
    stop : asyncio.Event, optional
        Ends the server when set (from its own event loop).

    Raises
    ------
    InputError
        The case cannot be used, or the port is taken.

    Notes
    -----
    *Guarantee*: binds the loopback only; every route needs the token of the printed address; the
    page asks for nothing from another host (tested in a browser).
    """
    check_port(port)
    session = Session(case)
    with contextlib.suppress(KeyboardInterrupt):
        asyncio.run(run_server(session, port, open_browser, started or tell_address, stop))


def tell_address(address: str) -> None:
    """Print where the page is."""
    print(f"hingewise: {address}\nOnly this machine can open it. Stop with Ctrl+C.", flush=True)


@contextlib.contextmanager
def bare_command_line() -> Any:
    """trame reads options (host, port) from the command line: it must see none of ours."""
    kept = sys.argv
    sys.argv = kept[:1]
    try:
        yield
    finally:
        sys.argv = kept


def add_routes(app: Any, token: str, desk: Desk, page: str) -> None:
    """The addresses that the page asks for, each below the token."""
    from aiohttp import web

    def fixed(text: str, kind: str) -> Callable[[web.Request], Awaitable[web.Response]]:
        async def answer(request: web.Request) -> web.Response:
            return web.Response(text=text, content_type=kind)

        return answer

    async def casts(request: web.Request) -> web.Response:
        return web.Response(body=await desk.casts(), content_type="application/octet-stream")

    async def made(request: web.Request) -> web.StreamResponse:
        path = desk.made_file(request.match_info["name"])
        if path is None:
            raise web.HTTPNotFound
        return web.FileResponse(path)

    socket_address = {"sessionURL": f"ws://USE_HOST/{token}/ws", "secret": SECRET}
    home = fixed(page, "text/html")
    app.add_routes(
        [
            web.get(f"/{token}/", home),
            web.get(f"/{token}/index.html", home),
            web.get(f"/{token}/palette.css", fixed(palette_css(), "text/css")),
            web.get(f"/{token}/casts", casts),
            web.get(f"/{token}/made/{{name}}", made),
            # trame's client asks this first
            web.post(f"/{token}/paraview/", fixed(json.dumps(socket_address), "application/json")),
        ]
    )


def trame_server(session: Session, token: str) -> tuple[Any, Desk]:
    """A trame server with our page behind a token, and the desk that works for it."""
    from trame.app import get_server
    from trame_client.module import vue3

    server = get_server(f"hingewise-{token}", client_type="vue3")
    server.cli.set_defaults(ws=f"{token}/ws", authKey=SECRET)
    server.enable_module(vue3)
    server.serve[token] = vue3.www
    server.serve[f"{token}/client"] = str(CLIENT)
    page = index_html((Path(vue3.www) / "index.html").read_text(encoding="utf-8"))
    desk = Desk(session, server)

    def bind(wslink_server: Any) -> None:
        guard(wslink_server.app, token, lambda: int(wslink_server.get_port()))
        add_routes(wslink_server.app, token, desk, page)

    server.controller.on_server_bind.add(bind)
    return server, desk


async def run_server(
    session: Session,
    port: int,
    open_browser: bool,
    started: Callable[[str], None],
    stop: asyncio.Event | None,
) -> None:
    """Serve until the server, the desk or ``stop`` ends."""
    os.environ["WSLINK_READY_MSG"] = ""
    token = new_token()
    with bare_command_line():
        server, desk = trame_server(session, token)

        def ready(**_: Any) -> None:
            address = f"http://{HOST}:{server.port}/{token}/"
            started(address)
            if open_browser:
                webbrowser.open(address)

        server.controller.on_server_ready.add(ready)
        running = server.start(
            port=port,
            host=HOST,
            exec_mode="task",
            open_browser=False,
            show_connection_info=False,
            thread=True,
            timeout=0,
        )
    work = asyncio.create_task(desk.work())
    ending = [running, work]
    if stop is not None:
        ending.append(asyncio.create_task(stop.wait()))
    try:
        done, _ = await asyncio.wait(ending, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            task.result()
    finally:
        work.cancel()
        desk.close()
        with contextlib.suppress(Exception):
            await server.stop()
