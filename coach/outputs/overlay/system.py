"""What the window library cannot do: clicks that go through the window, opening without focus, the desktop's scale.

X11 through python-xlib (tried); Windows through user32 (from memory, not tried); elsewhere it does nothing.
"""

from __future__ import annotations

import os
import sys
from typing import Any


def set_click_through(title: str, on: bool) -> bool:
    """Let clicks on this process's window ``title`` pass through; return False if impossible."""
    try:
        if sys.platform == "win32":
            return _windows(title, on)
        if sys.platform.startswith("linux") and os.environ.get("DISPLAY"):
            return _x11(title, on)
    except Exception:  # optional: the overlay must continue if the window system fails
        return False
    return False


def open_without_focus(title: str) -> bool:
    """Ask the window manager not to focus the window ``title`` when shown; return False if impossible.

    Uses a user time of 0 (Extended Window Manager Hints 1.5, ``_NET_WM_USER_TIME``); elsewhere SDL's own hint does it.
    """
    if not (sys.platform.startswith("linux") and os.environ.get("DISPLAY")):
        return False
    try:
        from Xlib import Xatom, display

        link = display.Display()
        try:
            window = _own_window(link, title)
            if window is None:
                return False
            window.change_property(link.intern_atom("_NET_WM_USER_TIME"), Xatom.CARDINAL, 32, [0])
            link.sync()
            return True
        finally:
            link.close()
    except Exception:  # as above
        return False


def desktop_scale() -> float:
    """Return the scale of the desktop, 1 for a common screen; 1 if unknown."""
    try:
        if sys.platform == "win32":
            import ctypes

            return max(0.5, min(4.0, float(ctypes.windll.user32.GetDpiForSystem()) / 96))
        if sys.platform.startswith("linux") and os.environ.get("DISPLAY"):
            return _x11_scale()
    except Exception:  # as above
        return 1.0
    return 1.0


def _x11_scale() -> float:
    """Return the scale by the ``Xft.dpi`` resource, which desktops set when they scale."""
    from Xlib import Xatom, display

    link = display.Display()
    try:
        root = link.screen().root
        found = root.get_full_property(Xatom.RESOURCE_MANAGER, Xatom.STRING)
        for line in (found.value.decode("latin-1") if found else "").splitlines():
            if line.startswith("Xft.dpi:"):
                return max(0.5, min(4.0, float(line.split(":")[1]) / 96))
    finally:
        link.close()
    return 1.0


def _own_window(link: Any, title: str) -> Any:
    """Return this process's window ``title``, or None."""
    from Xlib import X
    from Xlib.error import BadWindow

    pid_atom, name_atom = link.intern_atom("_NET_WM_PID"), link.intern_atom("_NET_WM_NAME")
    queue = [link.screen().root]
    while queue:
        window = queue.pop()
        try:
            pid = window.get_full_property(pid_atom, X.AnyPropertyType)
            name = window.get_full_text_property(name_atom)
            children = window.query_tree().children
        except BadWindow:  # another program closed its window meanwhile
            continue
        if pid is not None and pid.value[0] == os.getpid() and name == title:
            return window
        queue.extend(children)
    return None


def _x11(title: str, on: bool) -> bool:
    from Xlib import X, display
    from Xlib.ext import shape

    link = display.Display()
    try:
        window = _own_window(link, title)
        if window is None:
            return False
        if on:
            window.shape_rectangles(shape.SO.Set, shape.SK.Input, 0, 0, 0, [])
        else:
            window.shape_mask(shape.SO.Set, shape.SK.Input, 0, 0, X.NONE)
        link.sync()
        return True
    finally:
        link.close()


def _windows(title: str, on: bool) -> bool:
    import ctypes

    user32 = ctypes.windll.user32  # type: ignore[attr-defined,unused-ignore]  # Windows only
    handle = user32.FindWindowW(None, title)
    if not handle:
        return False
    style = user32.GetWindowLongW(handle, -20)  # GWL_EXSTYLE
    layered, transparent = 0x80000, 0x20
    user32.SetWindowLongW(handle, -20, (style | layered | transparent) if on else (style & ~transparent))
    return True
