"""The window itself: borderless, always on top, moved by mouse or keys, repainted only where changed.

It opens without focus; a click enables the keys of ``texts.KEYS``. All calls come from one thread.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
# Windows; system.py does it for X11
os.environ.setdefault("SDL_WINDOW_NO_ACTIVATION_WHEN_SHOWN", "1")

import msgspec
import pygame

from coach.errors import OutputError
from coach.identity import APP
from coach.outputs.child import suppressed_stderr
from coach.outputs.overlay.layout import Scene, lay_out
from coach.outputs.overlay.legible import SIZE_NAMES, size_of
from coach.outputs.overlay.paint import changed, measure, paint
from coach.outputs.overlay.settings import OPACITY, Settings
from coach.outputs.overlay.system import desktop_scale, open_without_focus, set_click_through
from coach.outputs.overlay.texts import Item

TITLE = f"{APP} overlay"
TOP_PX = 24
"""Default distance of the window from the top of the desktop [px]."""
_ARROWS = {
    pygame.K_LEFT: (-1, 0),
    pygame.K_RIGHT: (1, 0),
    pygame.K_UP: (0, -1),
    pygame.K_DOWN: (0, 1),
}


class OverlayWindow:
    """One overlay on the screen. The constructor raises OutputError without a display.

    ``settings`` follows the user's changes; ``redraws`` counts painted frames.
    """

    def __init__(self, settings: Settings, on_settings: Callable[[Settings], None] | None = None) -> None:
        self.settings = settings.checked()
        self.redraws = 0
        self.keys_shown = False
        self._on_settings = on_settings
        self._items: tuple[Item, ...] = ()
        self._grabbed: tuple[int, int] | None = None
        try:
            with suppressed_stderr():
                pygame.display.init()
            if pygame.display.get_driver() in ("offscreen", "dummy") and not os.environ.get("SDL_VIDEODRIVER"):
                raise pygame.error("no desktop was found")
            if pygame.display.get_driver() == "x11":
                # shared memory and not a GL renderer: measured 2 % of a core for 7 %, 25 MiB for 62
                os.environ.setdefault("SDL_FRAMEBUFFER_ACCELERATION", "0")
            self._scale = self.settings.scale or desktop_scale()
            self._size = size_of(self.settings.size, self._scale)
            first = lay_out(Scene(hidden=self.settings.hidden), self._size, measure)
            self._shape = (first.width, first.height)
            self._window = pygame.Window(
                TITLE,
                self._shape,
                self._place(),
                borderless=True,
                always_on_top=True,
                utility=True,
                hidden=True,
            )
            open_without_focus(TITLE)
            self._window.show()
        except pygame.error as error:
            pygame.display.quit()
            raise OutputError(f"no display for the overlay: {error}") from error
        self._set_opacity(self.settings.opacity)
        pygame.event.pump()
        # a window manager may have moved it
        self._move()
        if self.settings.click_through:
            set_click_through(TITLE, True)

    def show(self, scene: Scene) -> bool:
        """Update the picture; return True if anything was painted."""
        drawing = lay_out(scene._replace(keys=self.keys_shown, hidden=self.settings.hidden), self._size, measure)
        if (drawing.width, drawing.height) != self._shape:
            self._shape = (drawing.width, drawing.height)
            self._window.size = self._shape
            self._items = ()
            # near the lower edge of the desktop it grows upward
            self._move()
        boxes = changed(self._items, drawing.items)
        if not boxes and self.redraws:
            return False
        surface = self._window.get_surface()
        paint(surface, drawing.items, boxes[0].unionall(boxes[1:]) if self.redraws and self._items else None)
        self._window.flip()
        self._items = drawing.items
        self.redraws += 1
        return True

    def pump(self) -> bool:
        """Process user and system events; return False if the window was closed."""
        for event in pygame.event.get():
            if event.type in (pygame.QUIT, pygame.WINDOWCLOSE):
                return False
            if event.type == pygame.KEYDOWN:
                self._key(event.key, bool(event.mod & pygame.KMOD_SHIFT))
            elif event.type in (pygame.MOUSEBUTTONDOWN, pygame.MOUSEBUTTONUP, pygame.MOUSEMOTION):
                self._mouse(event)
            elif event.type in (pygame.WINDOWEXPOSED, pygame.WINDOWRESTORED):
                self._items = ()
                self.redraws = max(self.redraws, 1)
        return True

    def take(self, settings: Settings) -> None:
        """Apply external settings, such as from ``coach overlay``."""
        before, self.settings = self.settings, settings.checked()
        if settings.size != before.size:
            self._size = size_of(settings.size, self._scale)
            self._items = ()
        if settings.opacity != before.opacity:
            self._set_opacity(settings.opacity)
        if settings.click_through != before.click_through:
            set_click_through(TITLE, settings.click_through)
        self._move()

    def close(self) -> None:
        """Remove the window."""
        self._window.destroy()
        pygame.display.quit()

    def _place(self) -> tuple[int, int]:
        """Return the window's position: top centre or its last one, always entirely on the desktop [px]."""
        desktops = pygame.display.get_desktop_sizes()
        width, height = self._shape
        # without positions of the screens: the first one's centre, and bounds that hold all of them side by side
        x = (desktops[0][0] - self._size.width) // 2 if self.settings.x is None else self.settings.x
        y = TOP_PX if self.settings.y is None else self.settings.y
        most_x, most_y = sum(w for w, _ in desktops), max(h for _, h in desktops)
        return max(0, min(x, most_x - width)), max(0, min(y, most_y - height))

    def _move(self) -> None:
        place = self._place()
        if tuple(self._window.position) != place:
            self._window.position = place

    def _put(self, x: int, y: int) -> None:
        self._keep(x=x, y=y)
        self._move()
        # a position limited by the desktop's edge is not stored
        kept = self._place()
        self._keep(x=kept[0], y=kept[1])

    def _mouse(self, event: pygame.event.Event) -> None:
        if event.type == pygame.MOUSEBUTTONDOWN and event.button == 1:
            self._grabbed = event.pos
        elif event.type == pygame.MOUSEBUTTONUP:
            self._grabbed = None
        elif event.type == pygame.MOUSEMOTION and self._grabbed is not None:
            x, y = self._window.position
            self._put(x + event.pos[0] - self._grabbed[0], y + event.pos[1] - self._grabbed[1])

    def _key(self, key: int, fine: bool) -> None:
        if key == pygame.K_ESCAPE:
            self._keep(hidden=not self.settings.hidden)
        elif key in (pygame.K_h, pygame.K_F1):
            self.keys_shown = not self.keys_shown
        elif key == pygame.K_c:
            self._keep(x=None, y=None)
            self._move()
        elif key in _ARROWS:
            dx, dy = _ARROWS[key]
            x, y = self._place()
            step = 1 if fine else 10
            self._put(x + dx * step, y + dy * step)
        elif pygame.K_1 <= key <= pygame.K_3:
            self.take(msgspec.structs.replace(self.settings, size=SIZE_NAMES[key - pygame.K_1]))
            self._tell()
        elif key in (pygame.K_MINUS, pygame.K_KP_MINUS, pygame.K_PLUS, pygame.K_KP_PLUS, pygame.K_EQUALS):
            change = -0.1 if key in (pygame.K_MINUS, pygame.K_KP_MINUS) else 0.1
            opacity = round(max(OPACITY[0], min(OPACITY[1], self.settings.opacity + change)), 2)
            self._set_opacity(opacity)
            self._keep(opacity=opacity)
        elif key == pygame.K_l:
            on = not self.settings.click_through
            if set_click_through(TITLE, on):
                self._keep(click_through=on)

    def _set_opacity(self, opacity: float) -> None:
        # some window systems cannot do it: the overlay is then opaque
        with contextlib.suppress(pygame.error):
            self._window.opacity = opacity

    def _keep(self, **what: object) -> None:
        settings = msgspec.structs.replace(self.settings, **what)
        if settings != self.settings:
            self.settings = settings
            self._tell()

    def _tell(self) -> None:
        if self._on_settings is not None:
            self._on_settings(self.settings)
