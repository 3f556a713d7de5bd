"""The window itself: borderless, always on top, moved and sized with keys, repainted only where it changed.

Keys while it has the focus: arrows move it by 10 pixels (with Shift by 1), 1 2 3 choose the size, ``-`` and
``+`` the opacity, T lets clicks through, Escape closes it. Everything is called from one thread.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

import msgspec
import pygame

from coach import APP
from coach.core.values import View
from coach.errors import OutputError
from coach.outputs.hush import hushed
from coach.outputs.overlay.layout import Caption, Item, lay_out
from coach.outputs.overlay.legible import SIZE_NAMES, size_of
from coach.outputs.overlay.paint import changed, measure, paint
from coach.outputs.overlay.settings import OPACITY, Settings
from coach.outputs.overlay.system import desktop_scale, set_click_through

TITLE = f"{APP} overlay"
_ARROWS = {
    pygame.K_LEFT: (-1, 0),
    pygame.K_RIGHT: (1, 0),
    pygame.K_UP: (0, -1),
    pygame.K_DOWN: (0, 1),
}


class OverlayWindow:
    """One overlay on the screen. OutputError from the constructor when there is no display.

    ``settings`` follows what the user does; ``redraws`` counts the frames that were painted.
    """

    def __init__(self, settings: Settings, on_settings: Callable[[Settings], None] | None = None) -> None:
        self.settings = settings.checked()
        self.redraws = 0
        self._on_settings = on_settings
        self._items: tuple[Item, ...] = ()
        try:
            with hushed():
                pygame.display.init()
            if pygame.display.get_driver() in ("offscreen", "dummy") and not os.environ.get("SDL_VIDEODRIVER"):
                raise pygame.error("no desktop was found")
            if pygame.display.get_driver() == "x11":
                # shared memory and not a GL renderer: measured 2 % of a core for 7 %, 25 MiB for 62
                os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
            self._scale = self.settings.scale or desktop_scale()
            self._size = size_of(self.settings.size, self._scale)
            place = pygame.WINDOWPOS_UNDEFINED if settings.x is None or settings.y is None else (settings.x, settings.y)
            self._window = pygame.Window(
                TITLE,
                (self._size.width, self._size.height),
                place,
                borderless=True,
                always_on_top=True,
                utility=True,
            )
        except pygame.error as error:
            pygame.display.quit()
            raise OutputError(f"no display for the overlay: {error}") from error
        self._set_opacity(self.settings.opacity)
        pygame.event.pump()
        if self.settings.click_through:
            set_click_through(TITLE, True)

    def show(self, view: View | None, caption: Caption | None, fresh: bool = True) -> bool:
        """Bring the picture up to date; True when something had to be painted."""
        items = lay_out(view, caption, self._size, measure, fresh)
        boxes = changed(self._items, items)
        if not boxes and self.redraws:
            return False
        surface = self._window.get_surface()
        paint(surface, items, boxes[0].unionall(boxes[1:]) if self.redraws and self._items else None)
        self._window.flip()
        self._items = items
        self.redraws += 1
        return True

    def pump(self) -> bool:
        """Take in what the user and the system did; False when the window was closed."""
        for event in pygame.event.get():
            if event.type in (pygame.QUIT, pygame.WINDOWCLOSE):
                return False
            if event.type == pygame.KEYDOWN:
                if event.key == pygame.K_ESCAPE:
                    return False
                self._key(event.key, bool(event.mod & pygame.KMOD_SHIFT))
            elif event.type == pygame.WINDOWMOVED:
                self._keep(x=event.x, y=event.y)
            elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
                self._items = ()
                self.redraws = max(self.redraws, 1)
        return True

    def close(self) -> None:
        """Take the window away."""
        self._window.destroy()
        pygame.display.quit()

    def _key(self, key: int, fine: bool) -> None:
        if key in _ARROWS:
            dx, dy = _ARROWS[key]
            x, y = self._window.position
            step = 1 if fine else 10
            self._window.position = (x + dx * step, y + dy * step)
            self._keep(x=x + dx * step, y=y + dy * step)
        elif pygame.K_1 <= key <= pygame.K_3:
            self._resize(SIZE_NAMES[key - pygame.K_1])
        elif key in (pygame.K_MINUS, pygame.K_KP_MINUS, pygame.K_PLUS, pygame.K_KP_PLUS, pygame.K_EQUALS):
            change = -0.1 if key in (pygame.K_MINUS, pygame.K_KP_MINUS) else 0.1
            opacity = round(max(OPACITY[0], min(OPACITY[1], self.settings.opacity + change)), 2)
            self._set_opacity(opacity)
            self._keep(opacity=opacity)
        elif key == pygame.K_t:
            on = not self.settings.click_through
            if set_click_through(TITLE, on):
                self._keep(click_through=on)

    def _set_opacity(self, opacity: float) -> None:
        # some window systems can not do it: the overlay is then opaque
        with contextlib.suppress(pygame.error):
            self._window.opacity = opacity

    def _resize(self, name: str) -> None:
        self._size = size_of(name, self._scale)
        self._window.size = (self._size.width, self._size.height)
        self._items = ()
        self._keep(size=name)

    def _keep(self, **what: object) -> None:
        settings = msgspec.structs.replace(self.settings, **what)
        if settings != self.settings:
            self.settings = settings
            if self._on_settings is not None:
                self._on_settings(settings)
