"""The product's name on a machine and its version; known by every room."""

from __future__ import annotations

from typing import Final

APP: Final = "corner-coach"
"""The name under which files are kept on a machine."""
VERSION: Final = "0.1.0"
