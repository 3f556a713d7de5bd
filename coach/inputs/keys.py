"""Keyboard keys while another window has the focus: polls the state of all keys and intercepts none.

X11 through python-xlib (tried); Windows through user32 (from memory, not tried). Wayland hides keys from unfocused
programs: only buttons work there.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from coach.inputs.bindings import KEYBOARD, Press


def open_keys(platform: str, environ: Mapping[str, str]) -> X11Keys | WindowsKeys | None:
    """Return the keyboard of this system; None if it hides keys from unfocused programs."""
    try:
        if platform == "win32":
            return WindowsKeys()
        if platform.startswith("linux") and environ.get("DISPLAY"):
            return X11Keys()
    except Exception:  # optional: buttons still work if the window system fails
        return None
    return None


class X11Keys:
    """The key map of the X server, 256 keys in 32 bytes."""

    def __init__(self) -> None:
        from Xlib import display

        self._display: Any = display.Display()
        self._down = self._state()

    def _state(self) -> set[int]:
        state = self._display.query_keymap()
        return {8 * i + bit for i, byte in enumerate(state) if byte for bit in range(8) if byte >> bit & 1}

    def poll(self) -> list[Press]:
        """Return the keys that went down since the last call; empty once the X server is gone."""
        try:
            now = self._state()
            pressed, self._down = now - self._down, now
            return [Press(KEYBOARD, key=self._label(code)) for code in sorted(pressed)]
        except Exception:  # the X server is gone: the run continues
            return []

    def _label(self, code: int) -> str:
        return _names().get(self._display.keycode_to_keysym(code, 0), f"code {code}")

    def devices(self) -> list[str]:
        """Return the keyboard."""
        return [KEYBOARD]

    def close(self) -> None:
        """Close the connection."""
        self._display.close()


@cache
def _names() -> dict[int, str]:
    """Return X11's names of the keys by their symbols (X Window System protocol, appendix A)."""
    from Xlib import XK

    return {value: name[3:] for name, value in vars(XK).items() if name.startswith("XK_") and isinstance(value, int)}


_VIRTUAL_KEYS: Final = {
    **{0x70 + i: f"F{i + 1}" for i in range(24)},
    **{code: chr(code).lower() for code in [*range(0x30, 0x3A), *range(0x41, 0x5B)]},
    0x20: "space", 0x0D: "Return", 0x09: "Tab", 0x25: "Left", 0x26: "Up", 0x27: "Right", 0x28: "Down",
    **{0x60 + i: f"KP_{i}" for i in range(10)},
}  # fmt: skip
"""Windows' virtual key codes (from memory) by the names that X11 gives the same keys."""


class WindowsKeys:
    """The keys of ``_VIRTUAL_KEYS`` by GetAsyncKeyState; ``user32`` may be a double."""

    def __init__(self, user32: Any = None) -> None:
        if user32 is None:
            import ctypes

            user32 = ctypes.windll.user32  # type: ignore[attr-defined,unused-ignore]  # Windows only
        self._user32 = user32
        self._down: set[int] = set()
        self.poll()

    def poll(self) -> list[Press]:
        """Return the keys that went down since the last call."""
        now = {code for code in _VIRTUAL_KEYS if self._user32.GetAsyncKeyState(code) & 0x8000}
        pressed, self._down = now - self._down, now
        return [Press(KEYBOARD, key=_VIRTUAL_KEYS[code]) for code in sorted(pressed)]

    def devices(self) -> list[str]:
        """Return the keyboard."""
        return [KEYBOARD]

    def close(self) -> None:
        """Do nothing: there is nothing to close."""
