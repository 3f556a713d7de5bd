"""Rows of the scenario bench that are known to fail, on which circuits, and what they wait for."""

from __future__ import annotations

from typing import Final

WAITS: Final[dict[str, tuple[str, tuple[str, ...]]]] = {
    "another circuit's profile": ("a word that the profile is of another circuit", ("demo", "7", "9", "12")),
    "traffic": ("laps that are no measure of the driver to be left out", ("9",)),
    "cool-down laps": ("laps that are no measure of the driver to be left out", ("7",)),
    "scatter x4": ("a driver's own scatter to be known from the first lap", ("demo",)),
    "tyre wear": ("what the car can do today to be known as it changes", ("12",)),
    "a habit in traffic": ("laps that are no measure of the driver to be left out", ("9",)),
}
