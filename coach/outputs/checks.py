"""Checks for ``coach doctor``: each result is (works, what was found, how to fix it)."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

from coach.errors import OutputError


class Check(NamedTuple):
    """``fix`` is empty when ``ok``."""

    ok: bool
    what: str
    fix: str


def check_voice() -> Check:
    """Render one phrase with the worker, as in a run."""
    from coach.outputs.voice import sound
    from coach.outputs.voice.engine import engine_version
    from coach.outputs.voice.renderer import Renderer

    fix = "install the package espeakng-loader (Linux), or a speech engine of the system; until then captions only"
    try:
        renderer = Renderer(160)
        try:
            with tempfile.TemporaryDirectory(prefix="coach-voice-") as folder:
                path = Path(folder) / "check.wav"
                renderer.render("brake at the hundred", path)
                seconds = len(sound.trim(sound.read(path))) / sound.RATE_HZ
        finally:
            renderer.close()
    except OutputError as error:
        return Check(False, str(error), fix)
    return Check(True, f"speech engine works ({engine_version()}), a phrase of {seconds:.2f} s was rendered", "")


def check_device(name: str = "") -> Check:
    """Open and close the sound device, in a child process as a driver may hang."""
    code = (
        "import sys\n"
        "from coach.outputs.voice.device import MixerDevice, list_devices\n"
        "from coach.errors import OutputError\n"
        "device = MixerDevice(sys.argv[1])\n"
        "try:\n"
        "    device.open()\n"
        "except OutputError as error:\n"
        "    print(error); sys.exit(1)\n"
        "print('sound device opens; outputs: ' + (', '.join(list_devices()) or 'the default one'))\n"
        "device.close()\n"
    )
    fix = "plug in or choose a sound output and see that the sound server runs; until then captions only"
    return _apart([sys.executable, "-c", code, name], fix, "the sound device")


def check_display() -> Check:
    """Open and close the overlay window, in a child process as a driver may hang."""
    code = (
        "import sys\n"
        "from coach.outputs.overlay.window import OverlayWindow\n"
        "from coach.outputs.overlay.settings import Settings\n"
        "from coach.errors import OutputError\n"
        "import pygame\n"
        "try:\n"
        "    window = OverlayWindow(Settings())\n"
        "except OutputError as error:\n"
        "    print(error); sys.exit(1)\n"
        "window.show(None, None)\n"
        "print(f'overlay window opens (driver {pygame.display.get_driver()})')\n"
        "window.close()\n"
    )
    fix = "run on a desktop (on Linux DISPLAY or WAYLAND_DISPLAY must be set), or drive with --no-overlay"
    return _apart([sys.executable, "-c", code], fix, "the display")


def _apart(command: list[str], fix: str, what: str) -> Check:
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)
    except subprocess.TimeoutExpired:
        return Check(False, f"{what} gave no answer within 20 s", fix)
    lines = done.stdout.strip().splitlines()
    said = lines[-1] if lines else (done.stderr.strip().splitlines() or [f"{what} did not open"])[-1]
    return Check(done.returncode == 0, said, "" if done.returncode == 0 else fix)
