"""Driver aids and steering over a session: at which corners the aids intervene, and where the steering is corrected."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import msgspec

from coach.core.values import Corner, Pass

FEWEST: Final = 4
"""Passes below which nothing is said about a corner."""
OFTEN: Final = 0.5
"""Share of the passes from which on an intervention or a correction is a habit (common practice, no source)."""
REVERSALS: Final = 2.0
"""Reversals of the steering in one correction: away from the corner, and back."""


class Controls(msgspec.Struct, frozen=True):
    """Of ``of`` valid passes of a corner: in how many anti-lock and traction control intervened, and in how many the
    steering was corrected; null where the channel is absent.

    ``corrected`` is null too at a corner of several apexes, whose own steering reverses.
    """

    corner: str
    of: int
    anti_lock: int | None
    traction_control: int | None
    corrected: int | None


def controls_of(passes: Sequence[Pass], corners: Sequence[Corner]) -> tuple[Controls, ...]:
    """Return the counts of each corner with enough ``passes`` and at least one of the channels."""
    out = []
    for index, corner in enumerate(corners):
        mine = [p for p in passes if p.corner == index]
        if len(mine) < FEWEST:
            continue
        one = Controls(
            corner.name,
            len(mine),
            _count(mine, "anti_lock_hits", 1.0),
            _count(mine, "traction_control_hits", 1.0),
            None if corner.more_apexes_m else _count(mine, "corrections", REVERSALS),
        )
        if any(n is not None for n in (one.anti_lock, one.traction_control, one.corrected)):
            out.append(one)
    return tuple(out)


def _count(passes: Sequence[Pass], measure: str, least: float) -> int | None:
    values = [v for p in passes if (v := p.measures.get(measure, float("nan"))) == v]
    return sum(v >= least for v in values) if values else None


def control_lines(controls: Sequence[Controls]) -> tuple[str, ...]:
    """Return one line for each corner where an aid intervenes, or the steering is corrected, in OFTEN of the passes."""
    lines = []
    for one in controls:
        said = [
            f"{what} in {n} of {one.of} passes"
            for what, n in (
                ("anti-lock", one.anti_lock),
                ("traction control", one.traction_control),
                ("steering corrected", one.corrected),
            )
            if n is not None and n >= OFTEN * one.of
        ]
        if said:
            lines.append(f"{one.corner}: {', '.join(said)}")
    return tuple(lines)
