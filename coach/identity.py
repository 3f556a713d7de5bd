"""The product's name on a machine and its version, for every room."""

from __future__ import annotations

from typing import Final

APP: Final = "corner-coach"
"""Folder name of the product's files on a machine."""
VERSION: Final = "0.1.0"
