"""An X server without a screen, for the tests of the real window and its measurements."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session")
def x_server() -> Iterator[str]:
    """The display name of an Xvfb that lives as long as the test session."""
    program = shutil.which("Xvfb")
    if program is None:
        pytest.skip("Xvfb is not installed")
    read, write = os.pipe()
    process = subprocess.Popen(
        [program, "-displayfd", str(write), "-screen", "0", "1280x720x24", "-nolisten", "tcp", "-noreset"],
        pass_fds=(write,),
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as pipe:
        number = pipe.readline().strip()
    yield f":{number}"
    process.terminate()
    process.wait()


@pytest.fixture
def display(x_server: str, monkeypatch: pytest.MonkeyPatch) -> str:
    """Point this process and its children to the X server."""
    monkeypatch.setenv("DISPLAY", x_server)
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.delenv("SDL_VIDEODRIVER", raising=False)
    return x_server
