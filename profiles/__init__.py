"""Profiles, cue rules and packet maps that ship with the product."""

from __future__ import annotations

from pathlib import Path


def folder() -> Path:
    """Where the shipped files lie on disk."""
    return Path(__file__).parent
