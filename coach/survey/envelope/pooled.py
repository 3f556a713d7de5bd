"""Laps of several sessions with the same car as one set of samples, on the first session's reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.survey.edges import beside
from coach.survey.envelope.drive import fit_drive
from coach.survey.envelope.samples import LapLines, Samples, samples_of
from coach.survey.survey import Survey

SAME_CAR: Final = 1.15
"""Cars whose power per weight differs by more than this factor are not the same (common practice, no source)."""
NO_ROW: Final = -1


def samples_on(reference: Reference, corners: tuple[Corner, ...], found: Survey) -> Samples | None:
    """Return the samples of another survey of the same circuit on ``reference``; None without positions."""
    if found.lines is None:
        return None
    lines = LapLines(*beside(found.trace, found.laps, reference), found.laps)
    made = samples_of(found.trace, lines, reference, corners)
    return replace(made, rows=np.full_like(made.rows, NO_ROW))


def pooled(parts: Sequence[Samples]) -> Samples:
    """Return the samples of all ``parts``, each with (laps, blocks) of one reference; a pedal only if all have it."""
    first = parts[0]
    pressed = [p.pressed for p in parts if p.pressed is not None]
    full = [p.full for p in parts if p.full is not None]
    return replace(
        first,
        speed_mps=np.concatenate([p.speed_mps for p in parts]),
        curvature_pm=np.concatenate([p.curvature_pm for p in parts]),
        accel_mps2=np.concatenate([p.accel_mps2 for p in parts]),
        full=np.concatenate(full) if len(full) == len(parts) else None,
        pressed=np.concatenate(pressed) if len(pressed) == len(parts) else None,
        locked=np.concatenate([p.locked for p in parts]),
        rows=np.concatenate([p.rows for p in parts]),
        curvature=np.concatenate([p.curvature for p in parts]),
        offset_m=np.concatenate([p.offset_m for p in parts]),
        spent_s=np.concatenate([p.spent_s for p in parts]),
    )


def other_power(first: Samples, other: Samples) -> tuple[float, float] | None:
    """Return the power per weight [W/kg] of both if it shows that they are not the same car, else None."""
    powers = [fit_drive(s, np.ones(len(s.rows)))[0] for s in (first, other)]
    one, two = powers
    if one is None or two is None or max(one, two) <= SAME_CAR * min(one, two):
        return None
    return one, two
