"""The pieces of a spoken text: each is rendered once; a comma is a pause between two, and a joint hardly one.

A lap time is two pieces ("one thirty-one", "point four") that sound like one, so that sixty whole seconds and ten
tenths need seventy pieces rather than six hundred.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Final

COMMA: Final = ", "
JOINT: Final = "\u00a0"
"""Joins two pieces of one number: a no-break space, which no line of a caption breaks."""
COMMA_S: Final = 0.15
"""The pause at a comma [s]."""
JOINT_S: Final = 0.04
"""The pause at a joint [s]: the silence before a stop consonant (common practice, no source)."""
_SEPARATORS: Final = re.compile(f"({COMMA}|{JOINT})")


def split(text: str) -> list[str]:
    """Return the pieces of ``text``."""
    return [piece for piece in _SEPARATORS.split(text)[::2] if piece.strip()]


def pauses(text: str) -> list[float]:
    """Return the pauses between the pieces of ``text`` [s], one fewer than its pieces."""
    parts = _SEPARATORS.split(text)
    spoken = [i for i in range(0, len(parts), 2) if parts[i].strip()]
    return [COMMA_S if COMMA in parts[i + 1 : j : 2] else JOINT_S for i, j in pairwise(spoken)]
