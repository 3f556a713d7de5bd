"""Conditions of car and road in each lap, for the debrief."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Final

from coach.core.diagnose.condition import Today
from coach.core.diagnose.judging import Judged

AS_USUAL: Final = Today()


def by_lap(judged: Sequence[Judged]) -> dict[int, Today]:
    """Return the condition at the end of each lap, and whether it changed within the lap."""
    days: dict[int, Today] = {}
    for lap, passes in groupby(judged, key=lambda one: one.driven.lap):
        within = [one.today for one in passes]
        unsure = [today for today in within if not today.settled and today.words]
        days[lap] = unsure[-1] if len(unsure) > len(within) // 2 else within[-1]
    return days


def told(days: Mapping[int, Today]) -> tuple[str, ...]:
    """Return a line for each run of laps outside the reference's condition."""
    lines = []
    for kind, run in groupby(sorted(days.items()), key=lambda item: _kind(item[1])):
        laps = list(run)
        if not kind:
            continue
        first, last = laps[0][0], laps[-1][0]
        where = f"lap {first}" if first == last else f"laps {first} to {last}"
        lines.append(f"{where}: {laps[-1][1].words}")
    return tuple(lines)


def _kind(today: Today) -> str:
    """Return the words without their numbers: falling grip is one condition."""
    return "".join(c for c in today.words if not c.isdigit())
