"""Who may talk to the viewer: loopback only, a random path token, our own Host and Origin.

Every route of the server lies below ``/<token>/`` (pages, data and the websocket); anything else is
answered 404 without a hint. A page of another origin cannot guess the token and is refused by its
Origin as well; a name that resolves to the loopback (DNS rebinding) is refused by its Host.
"""

from __future__ import annotations

import functools
import hmac
import secrets
from collections.abc import Awaitable, Callable
from typing import Any
from urllib.parse import urlsplit

HOST = "127.0.0.1"
"""The only address that is bound."""
TOKEN_BYTES = 24
"""Entropy of the token (192 bits)."""
NAMES = (HOST, "localhost")
"""Host names that a request may carry."""


def new_token() -> str:
    """Return an unguessable name for a path (lower case: trame's client lowers addresses)."""
    return secrets.token_hex(TOKEN_BYTES)


def refusal(
    token: str, port: int, path: str, host: str | None, origin: str | None
) -> tuple[int, str] | None:
    """Say whether a request is refused.

    Parameters
    ----------
    token : str
    port : int
        Of this server.
    path : str
        Path of the request.
    host, origin : str or None
        The headers.

    Returns
    -------
    (int, str) or None
        HTTP status and text, or None for a request that may pass.
    """
    allowed = {f"{name}:{port}" for name in NAMES}
    if host not in allowed:
        return 403, "This server answers to its own address only."
    if origin is not None and origin not in {f"http://{name}" for name in allowed}:
        return 403, "Another page may not use this server."
    first = path.split("/")[1] if path.startswith("/") else ""
    if not hmac.compare_digest(first.encode(), token.encode()):
        return 404, "Nothing here. Open the address that hingewise printed, with its token."
    return None


def policy(port: int) -> dict[str, str]:
    """Headers of every answer: nothing from elsewhere, no frames, no referrer, no store."""
    sockets = " ".join(f"ws://{name}:{port}" for name in NAMES)
    return {
        "Content-Security-Policy": (
            "default-src 'none'; script-src 'self' 'unsafe-eval'; style-src 'self' "
            "'unsafe-inline'; img-src 'self' data: blob:; font-src 'self'; "
            f"connect-src 'self' {sockets}; base-uri 'self'; form-action 'none'; "
            "frame-ancestors 'none'"
        ),
        "Referrer-Policy": "no-referrer",
        "X-Content-Type-Options": "nosniff",
        "X-Frame-Options": "DENY",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Cross-Origin-Opener-Policy": "same-origin",
        "Cache-Control": "no-store",
    }


def guard(app: Any, token: str, port_of: Callable[[], int]) -> None:
    """Put the checks in front of every route of an aiohttp application.

    ``port_of`` is asked once: a server that is stopping answers still, but has no port any more.
    """
    from aiohttp import web

    port = functools.cache(port_of)

    @web.middleware
    async def check(
        request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        refused = refusal(
            token,
            port(),
            urlsplit(request.raw_path).path,
            request.headers.get("Host"),
            request.headers.get("Origin"),
        )
        if refused is not None:
            return web.Response(status=refused[0], text=refused[1] + "\n")
        return await handler(request)

    async def sign(request: web.Request, response: web.StreamResponse) -> None:
        for name, value in policy(port()).items():
            response.headers[name] = value

    app.middlewares.append(check)
    app.on_response_prepare.append(sign)
