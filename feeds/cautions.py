"""Cautions shown before anything else when the data comes from a real car."""

from __future__ import annotations

from typing import Final

REAL_CAR: Final = (
    "A real car is fed. Use this on a closed circuit only, where the organiser allows it, and never on a public road.",
    "The prompts are hints from past laps: they know nothing of traffic, flags, weather, tyres or oil.",
    "Flags and marshals come first.",
    "No prompt is a command. When you hear one late or doubt it, drive as you would without it.",
    "Fix the device so that it cannot come loose, set it up standing, and do not touch or watch it while you drive.",
    "Place and speed come from a satellite receiver: expect metres, not centimetres. Throttle and brake are inferred.",
)
"""One line each, in display order."""
