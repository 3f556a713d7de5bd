"""Wheels, pads and button boxes through pygame's joysticks, also while another program has the focus."""

from __future__ import annotations

import os
from typing import Any, Final

from coach.inputs.bindings import Press

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
_HAT: Final = 100
"""A hat's four directions are buttons 100 to 103 of its device, the next hat's 104 to 107."""
_DIRECTIONS: Final = ((0, 1), (1, 0), (0, -1), (-1, 0))


class Pads:
    """All current and future devices. Needs its own process, without a window."""

    def __init__(self) -> None:
        # events arrive without focus, and without any window
        os.environ["SDL_JOYSTICK_ALLOW_BACKGROUND_EVENTS"] = "1"
        os.environ.setdefault("SDL_VIDEODRIVER", "dummy")
        import pygame

        self._pygame: Any = pygame
        pygame.display.init()
        pygame.joystick.init()
        pygame.event.set_blocked(None)
        pygame.event.set_allowed(
            [pygame.JOYDEVICEADDED, pygame.JOYDEVICEREMOVED, pygame.JOYBUTTONDOWN, pygame.JOYHATMOTION]
        )
        self._open: dict[int, Any] = {}
        self._hats: dict[tuple[int, int], tuple[int, int]] = {}

    def poll(self) -> list[Press]:
        """Return the presses since the last call; open new devices and drop removed ones."""
        pygame, presses = self._pygame, []
        for event in pygame.event.get():
            if event.type == pygame.JOYDEVICEADDED:
                self._add(event.device_index)
            elif event.type == pygame.JOYDEVICEREMOVED:
                self._open.pop(event.instance_id, None)
            elif event.instance_id in self._open:
                name = self._open[event.instance_id].get_name()
                if event.type == pygame.JOYBUTTONDOWN:
                    presses.append(Press(name, event.button))
                elif event.type == pygame.JOYHATMOTION:
                    presses += [Press(name, button) for button in self._hat(event)]
        return presses

    def _add(self, index: int) -> None:
        try:
            device = self._pygame.joystick.Joystick(index)
        except self._pygame.error:  # removed before it was opened
            return
        self._open[device.get_instance_id()] = device

    def _hat(self, event: Any) -> list[int]:
        """Return newly pressed directions of a hat."""
        before = self._hats.get((event.instance_id, event.hat), (0, 0))
        self._hats[event.instance_id, event.hat] = event.value
        return [
            _HAT + 4 * event.hat + i
            for i, (x, y) in enumerate(_DIRECTIONS)
            if _points(event.value, x, y) and not _points(before, x, y)
        ]

    def devices(self) -> list[str]:
        """Return the names of the open devices."""
        return sorted(device.get_name() for device in self._open.values())

    def close(self) -> None:
        """Close all devices."""
        self._open.clear()
        self._pygame.joystick.quit()
        self._pygame.display.quit()


def _points(value: tuple[int, int], x: int, y: int) -> bool:
    return (x != 0 and value[0] == x) or (y != 0 and value[1] == y)
