"""Access to the editor: this machine only, or holders of a one-time token.

A page of another site in the same browser also reaches a local server (DNS rebinding, cross-site requests), so the gate
checks the names in Host and Origin as well as the peer's address.
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any, Final
from urllib.parse import parse_qs, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

COOKIE: Final = "coach_pass"
LOOPBACK_NAMES: Final = frozenset({"localhost", "127.0.0.1", "::1"})


class Passes:
    """One-time tokens and the passes issued for them; calls ``told`` with each new token."""

    def __init__(self, told: Callable[[str], object]) -> None:
        self._told = told
        self._passes: set[str] = set()
        self._token = ""

    def renew(self) -> None:
        """Issue a new token, which voids the previous one."""
        self._token = secrets.token_urlsafe(16)
        self._told(self._token)

    def exchange(self, token: str) -> str:
        """Exchange the token for a pass; "" for any other text."""
        if not self._token or not secrets.compare_digest(token.encode(), self._token.encode()):
            return ""
        fresh = secrets.token_urlsafe(24)
        self._passes.add(fresh)
        self.renew()
        return fresh

    def known(self, given: str) -> bool:
        """Return whether ``given`` is an issued pass."""
        return any(secrets.compare_digest(given.encode(), p.encode()) for p in self._passes)


class AccessGate:
    """ASGI middleware: refuses foreign names, and peers from elsewhere without a pass."""

    def __init__(self, app: App, passes: Passes | None = None, names: Iterable[str] = ()) -> None:
        self._app = app
        self._passes = passes
        self._names = LOOPBACK_NAMES | {n.lower() for n in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it with the reason."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        if not self._named(headers.get("host", ""), scope) or not self._origin_is_ours(headers, scope):
            await _refuse(scope, receive, send, 403, "unknown host name")
            return
        if not _is_loopback(scope):
            if self._passes is None:
                await _refuse(scope, receive, send, 403, "only this machine is let in")
                return
            token = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
            if scope["type"] == "http" and token and (granted := self._passes.exchange(token)):
                await _welcome(send, scope["path"], granted)
                return
            if not self._passes.known(_cookie(headers.get("cookie", ""))):
                await _refuse(scope, receive, send, 403, "open the address with the token that the terminal shows")
                return
        await self._app(scope, receive, send)

    def _named(self, host: str, scope: Scope) -> bool:
        name = _name_of(f"//{host}")
        server = scope.get("server") or ("",)
        # the machine's own address of this connection is not a foreign name
        return bool(name) and (name in self._names or (self._passes is not None and name == server[0]))

    def _origin_is_ours(self, headers: dict[str, str], scope: Scope) -> bool:
        origin = headers.get("origin", "")
        if not origin:
            return True
        return urlsplit(origin).netloc.lower() == headers.get("host", "").lower() and self._named(
            urlsplit(origin).netloc, scope
        )


def _name_of(url: str) -> str:
    try:
        return (urlsplit(url).hostname or "").lower()
    except ValueError:
        return ""


def _is_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    try:
        return client is not None and ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _cookie(text: str) -> str:
    try:
        found = SimpleCookie(text).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found is not None else ""


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int, why: str) -> None:
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": 1008, "reason": why})
        return
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": f"coach: {why}\n".encode()})


async def _welcome(send: Send, path: str, granted: str) -> None:
    cookie = f"{COOKIE}={granted}; HttpOnly; SameSite=Strict; Path=/"
    # redirect to the same page without the token, to remove it from the address bar
    head = [(b"location", path.encode()), (b"set-cookie", cookie.encode()), (b"cache-control", b"no-store")]
    await send({"type": "http.response.start", "status": 303, "headers": head})
    await send({"type": "http.response.body", "body": b""})
