"""Draws layout items on a surface with pygame's bundled font; works without a display."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final

os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")

import pygame

from coach.outputs.overlay.colours import GROUND
from coach.outputs.overlay.layout import Scene, lay_out
from coach.outputs.overlay.legible import size_of
from coach.outputs.overlay.texts import Item, Rect, TextLabel

FINER: Final = 8
"""Letters are rendered this much larger and scaled down: at final size, rounding each letter's width to a whole pixel
would move letters by up to 1.9 pixels.
"""


@lru_cache(maxsize=64)
def _font(cap: int) -> pygame.font.Font:
    """Return the bundled font, FINER times as large as where a capital is at least ``cap`` pixels high."""
    if not pygame.font.get_init():
        pygame.font.init()
    size = cap * FINER
    while True:
        font = pygame.font.Font(None, size)
        if font.render("H", True, "white", None).get_bounding_rect().height >= cap * FINER:
            return font
        size += FINER // 2


@lru_cache(maxsize=512)
def measure(text: str, cap: int) -> tuple[int, int]:
    """Return width and height [px] of the box that ``text`` takes when its capitals are ``cap`` pixels high."""
    w, h = _font(cap).size(text)
    return math.ceil(w / FINER), math.ceil(h / FINER)


@lru_cache(maxsize=512)
def text_surface(text: str, cap: int, colour: tuple[int, int, int]) -> pygame.Surface:
    """Return ``text`` with alpha, as large as ``measure`` says."""
    w, h = measure(text, cap)
    fine = pygame.Surface((w * FINER, h * FINER), pygame.SRCALPHA)
    fine.fill((*colour, 0))
    letters = _font(cap).render(text, True, colour)
    # copied, not blended: blending on a transparent ground would darken the edges
    fine.blit(letters, (0, 0), special_flags=pygame.BLEND_RGBA_MAX)
    return pygame.transform.smoothscale(fine, (w, h))


def box_of(item: Item) -> pygame.Rect:
    """Return the box of pixels that an item touches."""
    if isinstance(item, Rect | TextLabel):
        return pygame.Rect(item.box)
    xs, ys = [p[0] for p in item.points], [p[1] for p in item.points]
    line = item.line + 1
    return pygame.Rect(
        min(xs) - line, min(ys) - line, max(xs) - min(xs) + 2 * line + 1, max(ys) - min(ys) + 2 * line + 1
    )


def changed(before: Sequence[Item], after: Sequence[Item]) -> list[pygame.Rect]:
    """Return the boxes in which two pictures differ; empty if they are equal."""
    old, new = set(before), set(after)
    return [box_of(item) for item in old ^ new]


def paint(surface: pygame.Surface, items: Iterable[Item], within: pygame.Rect | None = None) -> None:
    """Draw the items on the ground; only inside ``within`` if given."""
    surface.set_clip(within)
    surface.fill(GROUND)
    for item in items:
        if within is not None and not within.colliderect(box_of(item)):
            continue
        if isinstance(item, Rect):
            surface.fill(item.colour, item.box)
        elif isinstance(item, TextLabel):
            surface.blit(text_surface(item.text, item.cap, item.colour), item.box[:2])
        elif item.line:
            pygame.draw.lines(surface, item.colour, True, item.points, item.line)
        else:
            pygame.draw.polygon(surface, item.colour, item.points)
    surface.set_clip(None)


def picture(scene: Scene, size: str = "medium", scale: float = 1.0) -> pygame.Surface:
    """Return the overlay as a surface, without any display: for tests and for pictures."""
    drawing = lay_out(scene, size_of(size, scale), measure)
    surface = pygame.Surface((drawing.width, drawing.height))
    paint(surface, drawing.items)
    return surface
