"""The cues of a session as a list: changes, and why each was spoken or held."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from coach.core.cue.reasons import MEANING
from coach.core.values import Decision

Mark = Literal["", "new", "gone", "changed"]
MOVED_S: Final = 0.05
"""Least time shift of a moved cue [s]."""


@dataclass(frozen=True)
class TimelineRow:
    """One line of the list; ``was`` describes a change: the old text, or how far it moved."""

    decision: Decision
    mark: Mark
    was: str = ""


def marked(before: Sequence[Decision], after: Sequence[Decision]) -> list[TimelineRow]:
    """Return ``after`` in order of time with change marks, and removed cues in place. Lap, corner, rule and fault
    identify a cue.
    """
    old = _numbered(before)
    new = _numbered(after)
    rows = [TimelineRow(d, *_change(old.get(key), d)) for key, d in new.items()]
    rows += [TimelineRow(d, "gone", _told(d)) for key, d in old.items() if key not in new and d.outcome == "spoken"]
    return sorted(rows, key=lambda r: (r.decision.t_s, r.decision.corner, r.decision.rule))


def _numbered(decisions: Sequence[Decision]) -> dict[tuple[object, ...], Decision]:
    out: dict[tuple[object, ...], Decision] = {}
    count: dict[tuple[object, ...], int] = {}
    for d in decisions:
        key = (d.lap, d.corner, d.rule, d.fault)
        count[key] = count.get(key, 0) + 1
        out[*key, count[key]] = d
    return out


def _change(was: Decision | None, now: Decision) -> tuple[Mark, str]:
    if was is None:
        # one more held cue is not a change worth showing
        return ("new", "") if now.outcome == "spoken" else ("", "")
    if (was.outcome, was.reason, was.text) != (now.outcome, now.reason, now.text):
        return "changed", _told(was)
    if now.outcome == "spoken" and abs(now.t_s - was.t_s) > MOVED_S:
        return "changed", f"now {abs(now.t_s - was.t_s):.1f} s {'later' if now.t_s > was.t_s else 'sooner'}"
    return "", ""


def _told(d: Decision) -> str:
    return f"held back: {d.reason}" if d.outcome == "held" else f"{d.outcome}: {d.text}"


def sentence(d: Decision) -> str:
    """Return why the cue was spoken or held, in one or two sentences."""
    head = f"Rule {d.rule.replace('_', ' ')} ({d.family}) at {d.corner}, lap {d.lap}, {d.s_m:.0f} m."
    if d.outcome == "held":
        return f"{head} Held back: {MEANING.get(d.reason, d.reason)}."
    if d.outcome == "sounded":
        return f"{head} Sounded: its onset was due at {d.action_t_s:.2f} s."
    spare = d.action_t_s - d.ends_t_s
    if spare == spare:
        return f"{head} Spoken: it ended {spare:.2f} s before its action."
    return f"{head} Spoken."
