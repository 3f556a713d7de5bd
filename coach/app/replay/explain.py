"""Explains why cues were spoken or held at a corner: every candidate with its reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from coach.core.cue.reasons import MEANING
from coach.core.values import Corner, Decision
from coach.errors import CoachError


class ExplainError(CoachError):
    """An unknown corner or lap."""


def lap_driven(lap: int, laps: Sequence[int]) -> None:
    """Raise ExplainError unless ``lap`` is one of the session's ``laps``."""
    if laps and lap not in laps:
        raise ExplainError(f"--lap: expected {min(laps)} to {max(laps)}, the laps of this session; found {lap}")


def corner_named(name: str, corners: Sequence[Corner]) -> str:
    """Return the corner's name in the profile, by its name or spoken name; raise ExplainError listing the corners."""
    wanted = name.casefold()
    for corner in corners:
        if wanted in (corner.name.casefold(), corner.say.casefold()):
            return corner.name
    known = ", ".join(c.name for c in corners)
    raise ExplainError(f"--explain: expected a corner of this profile, {known}; found {name!r}")


def explain(decisions: Iterable[Decision], corner: str, lap: int | None = None) -> list[Decision]:
    """Return every decision at ``corner`` (of ``lap``), in order of time."""
    return [d for d in decisions if d.corner == corner and (lap is None or d.lap == lap)]


def lines(found: Sequence[Decision], corner: str, lap: int | None = None) -> list[str]:
    """Return the decisions as text: one line per candidate, then the meaning of the reasons."""
    if not found:
        where = corner if lap is None else f"{corner} in lap {lap}"
        return [f"{where}: nothing could have been said: no rule has anything to say there"]
    out = []
    for d in found:
        what = d.reason if d.outcome == "held" else f"{d.outcome} at {d.s_m:.0f} m"
        until = d.action_t_s - d.ends_t_s
        spare = f", {until:.1f} s before its action" if d.outcome == "spoken" and until == until else ""
        out.append(f"lap {d.lap:>3}  {d.rule:20} {d.text!r}: {what}{spare}")
    reasons = Counter(d.reason for d in found if d.outcome == "held")
    out += [f"{reason}: {MEANING.get(reason, reason)}" for reason, _ in reasons.most_common()]
    return out
