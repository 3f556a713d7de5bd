"""A sound server with a null sink, for the measurements."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def null_sink(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The address of a PulseAudio server of our own, with a null sink as its only output."""
    program = shutil.which("pulseaudio")
    if program is None or shutil.which("parec") is None:
        pytest.skip("PulseAudio is not installed")
    folder: Path = tmp_path_factory.mktemp("pulse")
    socket = folder / "sock"
    modules = [
        "module-null-sink sink_name=null rate=48000",
        f"module-native-protocol-unix socket={socket} auth-anonymous=1",
    ]
    command = [program, "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no"]
    for module in modules:
        command += ["-L", module]
    environment = {**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 10
    while not socket.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    yield f"unix:{socket}"
    process.terminate()
    process.wait()


@pytest.fixture
def sound(null_sink: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Point this process and its children to the null sink."""
    monkeypatch.setenv("PULSE_SERVER", null_sink)
    monkeypatch.setenv("SDL_AUDIODRIVER", "pulseaudio")
