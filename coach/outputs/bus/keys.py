"""Access from other machines: CURVE keys (ZeroMQ RFC 26), checked by ZeroMQ's authenticator.

``make_keys`` creates two folders: ``engine`` stays on the driving machine, ``helper`` goes to the other one. A
connection without an accepted key is refused before any message is sent.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import shutil
from pathlib import Path
from urllib.parse import urlsplit

import zmq

from coach.errors import OutputError

ENGINE, HELPER = "engine", "helper"


def is_loopback(address: str) -> bool:
    """Return whether only this machine can reach ``address``; raise OutputError for an invalid address."""
    parts = urlsplit(address)
    host = parts.hostname or ""
    if parts.scheme in ("ipc", "inproc"):
        return True
    port = parts.netloc.rpartition(":")[2]
    known = port == "*" or (port.isascii() and port.isdigit() and int(port) < 65536)  # * and 0: any free one
    if parts.scheme != "tcp" or not host or not known:
        raise OutputError(f"bus address: expected tcp://HOST:PORT with a port up to 65535, found {address!r}")
    if host == "localhost":
        return True
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(host).is_loopback
    return False


def check_address(address: str, keys: Path | None, binds: bool) -> None:
    """Raise OutputError if ``address`` is remote and there are no keys."""
    if not is_loopback(address) and keys is None:
        doing = "listening" if binds else "connecting"
        raise OutputError(f"{doing} on {address} leaves this machine and needs keys: make them with `coach keys`")


def make_keys(folder: Path) -> tuple[Path, Path]:
    """Make ``folder/engine`` and ``folder/helper``; return both paths. Raise OutputError if they exist or cannot be
    created.
    """
    import zmq.auth  # it imports asyncio, 0.15 s that only users of keys should pay

    engine, helper = folder / ENGINE, folder / HELPER
    for one in (engine, helper):
        if one.exists():
            raise OutputError(f"{one}: exists already; keys are never overwritten, choose another folder")
    try:
        for one in (engine / "allowed", helper):
            one.mkdir(parents=True, mode=0o700)
        os.chmod(engine, 0o700)
        zmq.auth.create_certificates(engine, ENGINE)
        zmq.auth.create_certificates(helper, HELPER)
        shutil.copy(helper / f"{HELPER}.key", engine / "allowed")
        shutil.copy(engine / f"{ENGINE}.key", helper)
        for secret in (engine / f"{ENGINE}.key_secret", helper / f"{HELPER}.key_secret"):
            os.chmod(secret, 0o600)
    except OSError as error:
        raise OutputError(f"{folder}: keys cannot be made: {error.strerror or error}") from error
    return engine, helper


def _load(path: Path, secret: bool) -> tuple[bytes, bytes | None]:
    import zmq.auth

    try:
        public, private = zmq.auth.load_certificate(path)
    except (OSError, ValueError) as error:
        raise OutputError(f"{path}: no key file: {error}") from error
    if secret and private is None:
        raise OutputError(f"{path}: expected a file made by coach keys, found no secret key")
    return public, private


def unlock(socket: zmq.Socket[bytes], keys: Path) -> None:
    """Let ``socket`` connect with the helper's keys in ``keys``; raise OutputError if they are missing."""
    socket.curve_publickey, socket.curve_secretkey = _load(keys / f"{HELPER}.key_secret", secret=True)
    socket.curve_serverkey = _load(keys / f"{ENGINE}.key", secret=False)[0]


class Guard:
    """Lets only known keys connect to protected sockets. Raises OutputError if the folder holds no engine keys."""

    def __init__(self, context: zmq.Context[zmq.Socket[bytes]], keys: Path) -> None:
        from zmq.auth.thread import ThreadAuthenticator

        self._keys = _load(keys / f"{ENGINE}.key_secret", secret=True)
        allowed = keys / "allowed"
        if not any(allowed.glob("*.key")):
            raise OutputError(f"{allowed}: expected a helper's key (*.key), found none")
        self._authenticator = ThreadAuthenticator(context)
        self._authenticator.start()
        self._authenticator.configure_curve(domain="*", location=str(allowed))

    def protect(self, socket: zmq.Socket[bytes]) -> None:
        """Make ``socket`` a server that requires a key; call it before ``bind``."""
        socket.curve_publickey, socket.curve_secretkey = self._keys
        socket.curve_server = True

    def close(self) -> None:
        """End the authenticator's thread."""
        self._authenticator.stop()
