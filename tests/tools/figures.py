"""Figures that benches write, and README's that are held against them.

A bench with ``--write tests/figures/NAME.json`` writes what it printed as JSON. In README a figure that comes from such
a file is followed by a comment with its path and, where it is not to be written as it stands, a format:

    gap in the silence 0.38 s <!-- figure: closed_loop/product/silent .2f -->
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any


def write_figures(path: str | Path, figures: dict[str, Any]) -> None:
    """Write a figures file, sorted and rounded so that a second run of the same code writes the same bytes."""
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(_rounded(figures), indent=1, sort_keys=True, allow_nan=False) + "\n", encoding="utf-8")


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    if isinstance(value, float):
        return round(value, 6) if value == value and abs(value) != float("inf") else None
    return value
