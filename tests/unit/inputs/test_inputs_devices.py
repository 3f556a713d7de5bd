"""Real devices as far as a machine without any has them: SDL's virtual joysticks, and the keys of an X server."""

from __future__ import annotations

import subprocess
import sys
import time

import pytest

from coach.app.live.buttons import Buttons, wait_for_press
from coach.errors import OutputError
from coach.inputs.bindings import KEYBOARD, Bindings, Press
from coach.inputs.keys import WindowsKeys, X11Keys, open_keys

pytest_plugins = ["outputs_display"]

VIRTUAL = """
import ctypes, glob, os
from pathlib import Path
from coach.inputs.pads import Pads
import pygame

found = glob.glob(str(Path(pygame.__file__).parents[1] / "pygame_ce.libs" / "libSDL2-2*"))
if not found:
    print("no library")
    raise SystemExit
sdl = ctypes.CDLL(found[0])
sdl.SDL_JoystickOpen.restype = ctypes.c_void_p
sdl.SDL_JoystickSetVirtualButton.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_uint8]
sdl.SDL_JoystickSetVirtualHat.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_uint8]
pads = Pads()
assert [] == pads.poll() and [] == pads.devices()
for _ in range(20):
    assert sdl.SDL_JoystickAttachVirtual(1, 2, 12, 1) >= 0
assert [] == pads.poll() and 20 == len(pads.devices())

def press(index, button):
    device = sdl.SDL_JoystickOpen(index)
    presses = []
    for value in (1, 0):
        sdl.SDL_JoystickSetVirtualButton(device, button, value)
        sdl.SDL_JoystickUpdate()
        presses += pads.poll()
    return [(p.device, p.button) for p in presses]

name = pads.devices()[0]
assert [(name, 3)] == press(0, 3)
assert [(name, 11)] == press(19, 11)
device = sdl.SDL_JoystickOpen(4)
for value in (1, 3, 0):  # up, up and right, centred
    sdl.SDL_JoystickSetVirtualHat(device, 0, value)
    sdl.SDL_JoystickUpdate()
    print([p.button for p in pads.poll()])
for _ in range(20):
    sdl.SDL_JoystickDetachVirtual(0)
assert [] == pads.poll() and [] == pads.devices()
sdl.SDL_JoystickAttachVirtual(1, 2, 12, 1)
pads.poll()
assert [(name, 5)] == press(0, 5)
pads.close()
print("done")
"""


def test_twenty_devices_come_go_and_come_back() -> None:
    """Buttons and hats of twenty devices are read without a window; unplugged ones go, replugged ones are known."""
    done = subprocess.run([sys.executable, "-c", VIRTUAL], capture_output=True, text=True, check=False, timeout=60)
    assert 0 == done.returncode, done.stderr
    if "no library" in done.stdout:
        pytest.skip("pygame's SDL library is not beside it here")
    assert ["[100]", "[101]", "[]", "done"] == done.stdout.split("\n")[:4]


def tap(display_name: str, key: str) -> None:
    """Press and release a key in the X server, as a keyboard would."""
    from Xlib import XK, X, display
    from Xlib.ext import xtest

    link = display.Display(display_name)
    code = link.keysym_to_keycode(XK.string_to_keysym(key))
    xtest.fake_input(link, X.KeyPress, code)
    link.sync()
    time.sleep(0.06)
    xtest.fake_input(link, X.KeyRelease, code)
    link.sync()
    link.close()


@pytest.mark.display
def test_keys_are_seen_without_a_window(display: str) -> None:
    """A key pressed for whatever window is noticed once, by its X11 name."""
    from Xlib import XK, X
    from Xlib import display as x_display
    from Xlib.ext import xtest

    keys = X11Keys()
    link = x_display.Display(display)
    code = link.keysym_to_keycode(XK.string_to_keysym("F9"))
    xtest.fake_input(link, X.KeyPress, code)
    link.sync()
    assert [Press(KEYBOARD, key="F9")] == keys.poll()
    assert [] == keys.poll()
    xtest.fake_input(link, X.KeyRelease, code)
    link.sync()
    assert [] == keys.poll()
    link.close()
    keys.close()


@pytest.mark.display
def test_a_bound_key_reaches_the_run_through_its_process(display: str) -> None:
    """The process reports a bound key; the queue is emptied without waiting; another key says nothing."""
    notices: list[str] = []
    buttons = Buttons(Bindings().bound("mark", Press(KEYBOARD, key="F9")), notices.append)
    found: list[str] = []
    deadline = time.monotonic() + 30.0
    while not found and time.monotonic() < deadline:
        tap(display, "F8")
        tap(display, "F9")
        found += buttons.pressed()
    buttons.close()
    assert {"mark"} == set(found)
    assert [] == [n for n in notices if "Error" in n]


@pytest.mark.display
def test_a_button_is_learnt_by_pressing_it(display: str) -> None:
    """Nothing pressed ends in one line."""
    with pytest.raises(OutputError, match="no button and no key was pressed"):
        wait_for_press(lambda line: None, 0.2, lambda names: None)


def test_a_real_car_has_one_button() -> None:
    """Of several bindings the first is used and the rest is said to rest."""
    notices: list[str] = []
    bindings = Bindings().bound("mark", Press("Wheel A", 1)).bound("repeat", Press("Wheel A", 2))
    buttons = Buttons(bindings.cleared(None), notices.append, real_car=True)
    buttons.close()
    assert [] == notices
    assert [Press("Wheel A", 1)] == [b.press for b in bindings.for_real_car().bindings]


class User32:
    """A double of the library that Windows answers key states by."""

    def __init__(self) -> None:
        self.down: set[int] = set()

    def GetAsyncKeyState(self, code: int) -> int:  # noqa: N802  (its name there)
        return 0x8000 if code in self.down else 1


def test_windows_keys_by_a_double() -> None:
    """A key that goes down is one press, held it is none."""
    user32 = User32()
    keys = WindowsKeys(user32)
    user32.down = {0x78}
    assert [Press(KEYBOARD, key="F9")] == keys.poll()
    assert [] == keys.poll()
    user32.down = set()
    assert [] == keys.poll()


def test_where_keys_can_not_be_read() -> None:
    """Without an X server, on macOS and under Wayland alone there are no keys, and no error."""
    assert open_keys("linux", {}) is None
    assert open_keys("darwin", {}) is None
    assert open_keys("win32", {}) is None  # no user32 on this machine: said, not raised
