from __future__ import annotations

import asyncio
from collections.abc import MutableMapping
from typing import Any

import pytest

from coach.app.edit.edit_server import EditError, free_port
from coach.pages.editor.gate import COOKIE, AccessGate, Passes

ELSEWHERE = ("192.0.2.7", 5000)
HERE = ("127.0.0.1", 5000)


async def inner(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"in"})


def ask(
    gate: AccessGate,
    host: str = "127.0.0.1:8467",
    client: tuple[str, int] | None = HERE,
    kind: str = "http",
    query: str = "",
    **headers: str,
) -> list[MutableMapping[str, Any]]:
    """What the gate answers to a request."""
    sent: list[MutableMapping[str, Any]] = []
    fields = [(b"host", host.encode())] + [(k.encode(), v.encode()) for k, v in headers.items()]
    scope = {
        "type": kind, "path": "/", "query_string": query.encode(), "headers": fields, "client": client,
        "server": ("192.0.2.1", 8467),
    }  # fmt: skip

    async def receive() -> MutableMapping[str, Any]:
        return {"type": "websocket.connect"}

    async def send(message: MutableMapping[str, Any]) -> None:
        sent.append(message)

    asyncio.run(gate(scope, receive, send))
    return sent


def status(answer: list[MutableMapping[str, Any]]) -> int:
    return int(answer[0].get("status", answer[0].get("code", 0)))


@pytest.mark.parametrize("host", ["127.0.0.1:8467", "localhost:8467", "[::1]:8467", "LOCALHOST"])
def test_this_machine_is_let_in(host: str) -> None:
    """Every name of this machine itself works."""
    assert 200 == status(ask(AccessGate(inner), host))


@pytest.mark.parametrize("host", ["evil.example:8467", "127.0.0.1.evil.example", "", "192.0.2.1:8467", "[", "a b"])
def test_foreign_names_are_refused(host: str) -> None:
    """A name that only happens to lead here (DNS rebinding) is refused, for pages and for web sockets."""
    assert 403 == status(ask(AccessGate(inner), host))
    assert 1008 == status(ask(AccessGate(inner), host, kind="websocket"))


@pytest.mark.parametrize("origin", ["http://evil.example", "http://127.0.0.1:9999", "null", "https://localhost"])
def test_another_sites_page_is_refused(origin: str) -> None:
    """A page of another origin in the same browser can not talk to the editor."""
    assert 403 == status(ask(AccessGate(inner), origin=origin))
    assert 1008 == status(ask(AccessGate(inner), kind="websocket", origin=origin))
    assert 200 == status(ask(AccessGate(inner), origin="http://127.0.0.1:8467"))


@pytest.mark.parametrize("client", [ELSEWHERE, None, ("testclient", 1)])
def test_elsewhere_is_refused_on_loopback(client: tuple[str, int] | None) -> None:
    """Served for this machine, nobody else is let in, whatever token they bring."""
    assert 403 == status(ask(AccessGate(inner), client=client, query="token=x"))


def test_a_token_works_once() -> None:
    """The token is exchanged for a cookie, then void; with the cookie the device is in, also on the web socket."""
    told: list[str] = []
    passes = Passes(told.append)
    passes.renew()
    gate = AccessGate(inner, passes)
    name = "192.0.2.1:8467"
    assert 403 == status(ask(gate, name, ELSEWHERE))
    assert 403 == status(ask(gate, name, ELSEWHERE, query="token=wrong"))
    welcome = ask(gate, name, ELSEWHERE, query=f"token={told[0]}")
    assert 303 == status(welcome)
    headers = dict(welcome[0]["headers"])
    cookie = headers[b"set-cookie"].decode()
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert b"/" == headers[b"location"]
    given = cookie.partition(";")[0]
    assert 200 == status(ask(gate, name, ELSEWHERE, cookie=given))
    assert 200 == status(ask(gate, name, ELSEWHERE, kind="websocket", cookie=given))
    assert 403 == status(ask(gate, name, ELSEWHERE, query=f"token={told[0]}"))
    assert 403 == status(ask(gate, name, ELSEWHERE, cookie=f"{COOKIE}=guess"))
    assert 2 == len(told)
    assert told[0] != told[1]


def test_a_web_socket_can_not_spend_the_token() -> None:
    """Only opening the page exchanges a token."""
    told: list[str] = []
    passes = Passes(told.append)
    passes.renew()
    assert 1008 == status(ask(AccessGate(inner, passes), "192.0.2.1", ELSEWHERE, "websocket", query=f"token={told[0]}"))
    assert 1 == len(told)


def test_a_port_in_use_is_one_clear_error() -> None:
    """The error names the address and the way out; port 0 finds a free one."""
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(EditError, match=f"127.0.0.1:{port} cannot be used"):
            free_port("127.0.0.1", port)
    assert 0 < free_port("127.0.0.1", 0)
