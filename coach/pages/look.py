"""The pages' colours with their meanings; none carries a meaning alone.

Sky blue and orange are the pair of the Okabe-Ito palette (Wong 2011, Nature Methods 8:441) that stays apart for the
three kinds of colour blindness; for fills only; text is dark on light.
"""

from __future__ import annotations

from typing import Final

from coach.core.columns import Floats

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

KINDS: Final = {"caution": "⚠ caution", "correction": "✎ correction"}
"""Display of cue kinds: distinguished by sign, word and frame; others by their own word."""

LAP_COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00")
LAP_DASHES: Final = ("solid", "dashed", "dotted")
"""Laps differ by colour and, from the seventh on, by dash; the list beside the chart names each."""


LIGHT: Final = {
    "ink": INK, "quiet": QUIET_INK, "paper": PAPER, "ground": GROUND, "rule": RULE, "even": EVEN, "gained": GAINED,
    "lost": LOST, "link": LINK, "alarm": ALARM, "brake": BRAKE, "throttle": THROTTLE,
}  # fmt: skip
DARK: Final = {
    "ink": "#e9ecf0", "quiet": "#b3bbc5", "paper": "#1c2128", "ground": "#12151a", "rule": "#3d4550", "even": "#7d8792",
    "gained": GAINED, "lost": LOST, "link": "#8ecbf2", "alarm": "#ffab94", "brake": "#f08a4b", "throttle": "#5aaee0",
}  # fmt: skip
"""Both schemes by the names of the style sheets' variables: ``var(--quiet)`` there is QUIET_INK here."""


def css_colours() -> str:
    """Return both schemes as variables; the dark one on screens that ask for it, never on paper."""
    light, dark = (";".join(f"--{name}:{colour}" for name, colour in s.items()) for s in (LIGHT, DARK))
    return (
        f":root{{color-scheme:light dark;{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    )


def dark_pairs() -> dict[str, str]:
    """Return light colour -> dark colour, for the charts, whose colours are written into their options."""
    pairs = {light: DARK[name] for name, light in LIGHT.items() if light != DARK[name]}
    # they include lap colours that also carry a meaning; laps keep theirs
    return {light: dark for light, dark in pairs.items() if light not in LAP_COLOURS}


def svg_points(x: Floats, y: Floats) -> str:
    """Return points (n,) in picture coordinates as the points of a polyline."""
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
