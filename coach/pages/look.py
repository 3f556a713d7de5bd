"""The few colours of the pages, each with what it means; none carries a meaning alone.

Sky blue and orange are the pair of the Okabe-Ito palette (Wong 2011, Nature Methods 8:441) that stays apart for
the three kinds of colour blindness; as fills only, letters are dark on light.
"""

from __future__ import annotations

from typing import Final

GAINED: Final = "#56B4E9"
LOST: Final = "#E69F00"
INK: Final = "#1b2026"
QUIET_INK: Final = "#4d5661"
PAPER: Final = "#ffffff"
GROUND: Final = "#f4f2ec"
RULE: Final = "#c9c6bd"
EVEN: Final = "#8b929b"
LINK: Final = "#0a5a8a"
ALARM: Final = "#9c2a10"
BRAKE: Final = "#D55E00"
THROTTLE: Final = "#0072B2"

LAP_COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
LAP_DASHES: Final = ("solid", "dashed", "dotted")
"""Laps are told apart by colour and, from the seventh on, by dash; each is named in the list beside the chart."""


def css_colours() -> str:
    """The colours as variables for the style sheets: ``var(--quiet)`` there is QUIET_INK here."""
    names = {
        "ink": INK, "quiet": QUIET_INK, "paper": PAPER, "ground": GROUND, "rule": RULE, "gained": GAINED, "lost": LOST,
        "link": LINK, "alarm": ALARM,
    }  # fmt: skip
    return ":root{" + ";".join(f"--{name}:{colour}" for name, colour in names.items()) + "}\n"
