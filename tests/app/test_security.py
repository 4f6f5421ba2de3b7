"""Who is refused by the viewer's server."""

import asyncio
from concurrent.futures import ThreadPoolExecutor

import pytest

from viewer.app.security import guard, new_token, policy, refusal

TOKEN = "ab" * 24
GOOD = f"/{TOKEN}/index.html"


def test_tokens_are_long_lower_case_and_never_the_same():
    tokens = {new_token() for _ in range(200)}
    assert len(tokens) == 200
    assert all(len(t) >= 48 and t == t.lower() and t.isalnum() for t in tokens)


@pytest.mark.parametrize("host", ["127.0.0.1:8123", "localhost:8123"])
def test_our_own_address_with_the_token_passes(host):
    assert refusal(TOKEN, 8123, GOOD, host, None) is None
    assert refusal(TOKEN, 8123, GOOD, host, f"http://{host}") is None


@pytest.mark.parametrize(
    "path",
    ["/", "", "/index.html", "/ws", f"/{TOKEN[:-1]}/ws", f"/{TOKEN}x/ws", f"/x/{TOKEN}/ws",
     f"//{TOKEN}/", f"/{TOKEN.upper()}/ws", "/%00/", "/é/"],
)  # fmt: skip
def test_a_missing_or_wrong_token_is_answered_404(path):
    assert refusal(TOKEN, 8123, path, "127.0.0.1:8123", None)[0] == 404


@pytest.mark.parametrize(
    "host", [None, "", "evil.example:8123", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.evil:8123"]
)
def test_a_foreign_host_is_refused_even_with_the_token(host):
    assert refusal(TOKEN, 8123, GOOD, host, None)[0] == 403


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "https://127.0.0.1:8123", "http://127.0.0.1:80", "",
     "http://127.0.0.1:8123.evil.example"],
)  # fmt: skip
def test_a_foreign_origin_is_refused_even_with_the_token(origin):
    assert refusal(TOKEN, 8123, GOOD, "127.0.0.1:8123", origin)[0] == 403


def test_the_policy_allows_nothing_from_elsewhere():
    text = policy(8123)["Content-Security-Policy"]
    allowed = {w for part in text.split(";") for w in part.split()[1:]}
    hosts = {w for w in allowed if "//" in w}
    assert hosts == {"ws://127.0.0.1:8123", "ws://localhost:8123"}
    assert "'unsafe-inline'" not in text.split("script-src")[1].split(";")[0]
    assert "frame-ancestors 'none'" in text


def test_a_server_that_is_stopping_still_answers_by_its_port():
    """It has no address any more then, and asking for its port fails."""
    web = pytest.importorskip("aiohttp.web", reason="PACKAGE aiohttp ABSENT")
    from aiohttp.test_utils import TestClient, TestServer

    asked = []

    def port_of() -> int:
        asked.append(1)
        if len(asked) > 1:
            raise IndexError("list index out of range")
        return server.port

    async def hello(_request):
        return web.Response(text="here")

    app = web.Application()
    app.router.add_get(f"/{TOKEN}/index.html", hello)
    guard(app, TOKEN, port_of)
    server = TestServer(app)

    async def use():
        async with TestClient(server) as client:
            return [(await client.get(path)).status for path in (GOOD, GOOD, "/")]

    with ThreadPoolExecutor(1) as pool:  # the browser tests keep a loop running in this thread
        assert pool.submit(lambda: asyncio.run(use())).result(60) == [200, 200, 404]
    assert len(asked) == 1
