"""Decisions and sessions for the tests of the replay bench."""

from __future__ import annotations

import shutil
from pathlib import Path

from coach.core.values import Decision

SAMPLES = Path(__file__).parents[3] / "replay_samples"


def said(
    lap: int = 1, corner: str = "Quarry", rule: str = "brake_early", text: str = "brake later", s_m: float = 100.0,
    **changes: object,
) -> Decision:  # fmt: skip
    """A spoken decision."""
    fields: dict[str, object] = {
        "t_s": lap * 90.0 + s_m / 50.0, "lap": lap, "s_m": s_m, "corner": corner, "rule": rule, "outcome": "spoken",
        "reason": "", "text": text, "ends_t_s": lap * 90.0 + s_m / 50.0 + 1.0, "action_t_s": lap * 90.0 + 10.0,
    }  # fmt: skip
    return Decision(**{**fields, **changes})  # type: ignore[arg-type]


def held(reason: str, **changes: object) -> Decision:
    """One that was held back."""
    return said(**{"outcome": "held", "reason": reason, **changes})  # type: ignore[arg-type]


def copy_of(sample: str, folder: Path) -> Path:
    """A recorded session that a test may change."""
    return Path(shutil.copytree(SAMPLES / sample, folder / sample))
