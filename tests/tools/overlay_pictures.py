"""Makes the pictures of the overlay: ``python tests/tools/overlay_pictures.py [FOLDER]``.

``overlay.png`` is a screenshot of the real window on an Xvfb screen, read back from the X server;
``overlay_states.png`` shows every state at every size, drawn without a display.
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pygame

from coach.core.values import LapDone, View
from coach.outputs.overlay.layout import Caption, Scene
from coach.outputs.overlay.legible import SIZE_NAMES
from coach.outputs.overlay.paint import picture
from coach.outputs.overlay.settings import Settings
from coach.outputs.overlay.window import OverlayWindow

LIVE = View(t_s=1.0, state="live", lap=3, delta_s=-0.24, next_corner="Kettle", to_brake_m=140.0)
LOST = msgspec.structs.replace(LIVE, delta_s=0.83)
LONG = "turn three, brake at the hundred, second gear, late apex"
LAP = LapDone(3, 1.0, 92.413, -0.24, True)
STATES: dict[str, Scene] = {
    "nothing to say": Scene(LIVE),
    "a cue": Scene(LIVE, Caption("brake at the hundred", 0.0)),
    "a long reminder, grip down": Scene(
        msgspec.structs.replace(LOST, condition="grip is down, no pace cues"), Caption(LONG, 0.0)
    ),
    "after the line": Scene(LIVE, lap=LAP, lap_age_s=1.0),
    "a lap that does not count": Scene(
        LOST, lap=msgspec.structs.replace(LAP, valid=False, why_invalid="off the track at Kettle"), lap_age_s=1.0
    ),
    "even, in a corner, cue fading": Scene(
        msgspec.structs.replace(LIVE, delta_s=0.001, to_brake_m=-5.0), Caption("late apex", 4.5)
    ),
    "far off": Scene(msgspec.structs.replace(LIVE, delta_s=23.4, next_corner="The long name of a corner")),
    "first lap": Scene(msgspec.structs.replace(LIVE, delta_s=math.nan)),
    "position lost": Scene(View(t_s=1.0, state="lost"), Caption("brake later", 2.0)),
    "in the pits": Scene(View(t_s=1.0, state="pit")),
    "no data": Scene(LIVE, fresh=False),
    "trouble with the data": Scene(msgspec.structs.replace(LIVE, status="no brake signal")),
    "ready": Scene(),
    "keys": Scene(LIVE, keys=True),
    "hidden": Scene(hidden=True),
}


SHOWN = STATES["a cue"]


def sheet() -> pygame.Surface:
    """One row for each state, one column for each size."""
    gap = 8
    rows = [[picture(scene, name, 1.0) for name in SIZE_NAMES] for scene in STATES.values()]
    width = max(sum(p.get_width() + gap for p in row) for row in rows) + gap
    height = sum(max(p.get_height() for p in row) + gap for row in rows) + gap
    out = pygame.Surface((width, height))
    out.fill((96, 96, 96))
    y = gap
    for row in rows:
        x = gap
        for one in row:
            out.blit(one, (x, y))
            x += one.get_width() + gap
        y += max(one.get_height() for one in row) + gap
    return out


def screenshot() -> pygame.Surface:
    """Capture the X server's picture of the real window; needs Xvfb."""
    program = shutil.which("Xvfb")
    if program is None:
        raise SystemExit("Xvfb is not installed")
    read, write = os.pipe()
    server = subprocess.Popen([program, "-displayfd", str(write), "-screen", "0", "1280x720x24"], pass_fds=(write,))
    os.close(write)
    with os.fdopen(read) as pipe:
        os.environ["DISPLAY"] = f":{pipe.readline().strip()}"
    os.environ.pop("SDL_VIDEODRIVER", None)
    try:
        from Xlib import X, display

        window = OverlayWindow(Settings(x=40, y=40, size="medium", scale=1.0, opacity=1.0))
        for _ in range(20):
            window.pump()
            window.show(SHOWN)
            time.sleep(0.02)
        link = display.Display()
        w, h = picture(SHOWN).get_size()
        image = link.screen().root.get_image(40, 40, w, h, X.ZPixmap, 0xFFFFFFFF)
        link.close()
        window.close()
        return pygame.image.frombytes(image.data, (w, h), "BGRA").convert(24)
    finally:
        server.terminate()
        server.wait()


def main() -> None:
    """Write both pictures."""
    default = Path(__file__).parent.parent.parent / "replay_samples" / "pictures"
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else default
    folder.mkdir(parents=True, exist_ok=True)
    for name, surface in (("overlay.png", screenshot()), ("overlay_states.png", sheet())):
        pygame.image.save(surface, folder / name)
        print(f"{folder / name}: {surface.get_width()} x {surface.get_height()}")


if __name__ == "__main__":
    main()
