"""Rules of every test (it leaves no thread, socket or file open), and common fixtures."""

from __future__ import annotations

import gc
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

_SETTLE_S = 2.0
# how long an example takes says something of the machine, not of what must hold
settings.register_profile("coach", deadline=None)
settings.load_profile("coach")


def pytest_configure(config: pytest.Config) -> None:
    """The marker for the few tests that are right to leave something open."""
    config.addinivalue_line("markers", "leaves_open(reason): the test may leave a thread, socket or file open")


def _open_things() -> dict[str, str]:
    """Sockets and files this process holds open: number and inode -> what it is; empty where /proc is missing."""
    found = {}
    try:
        numbers = os.listdir("/proc/self/fd")
    except OSError:
        return {}
    for number in numbers:
        try:
            target = os.readlink(f"/proc/self/fd/{number}")
        except OSError:
            continue  # closed in the meantime
        foreign = (sys.prefix, sys.base_prefix, "/dev/", "/proc/", "/sys/", "/usr/", "/etc/", "/memfd:", "/lib")
        if target.startswith("socket:") or (target.startswith("/") and not target.startswith(foreign)):
            found[f"{number} {target}"] = target
    return found


def _left(things: dict[str, str], threads: set[threading.Thread]) -> list[str]:
    left = [what for key, what in _open_things().items() if key not in things]
    return left + [f"thread {t.name}" for t in threading.enumerate() if t not in threads and t.is_alive()]


@pytest.fixture(autouse=True)
def nothing_left_open(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Fails a test after which a thread, socket or file is open that was not open before it."""
    things, threads = _open_things(), set(threading.enumerate())
    yield
    if request.node.get_closest_marker("leaves_open") is not None:
        return
    left = _left(things, threads)
    deadline = time.monotonic() + _SETTLE_S
    while left and time.monotonic() < deadline:
        gc.collect()
        time.sleep(0.01)  # a thread that was told to stop may still be on its way out
        left = _left(things, threads)
    assert [] == left, "left open by this test"


@pytest.fixture
def repository() -> Path:
    """The folder of the repository."""
    return Path(__file__).parent.parent


@pytest.fixture
def coach(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    """Runs a command line in this process: exit code, standard output, standard error."""
    from coach.cli.root import guarded, make_app

    def call(*arguments: object) -> tuple[int, str, str]:
        given = [str(a) for a in arguments]
        code = guarded(lambda: make_app(given[0])(args=given))
        out = capsys.readouterr()
        return code, out.out, out.err

    return call
