"""Audits every phrase a rule set may speak at a profile's corners: words, information units, duration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from coach.core.cue.rules import MAX_LONG_UNITS, MAX_SHORT_UNITS, MAX_SHORT_WORDS
from coach.outputs.voice.bank import estimate_s
from coach.profile.rule_files import AuditRow, audit, load_rules
from coach.profile.store import load_plan

Length = Callable[[str], float]


@dataclass(frozen=True)
class Phrase:
    """One text: where it may occur, its information units, its duration [s]."""

    row: AuditRow
    seconds: float

    @property
    def too_much(self) -> bool:
        """Whether it exceeds the limit of its form."""
        if self.row.form in ("short", "alternative"):
            return self.row.words > MAX_SHORT_WORDS or self.row.units > MAX_SHORT_UNITS
        return self.row.units > MAX_LONG_UNITS


def audit_phrases(
    profile: str | Path,
    rules: str | Path,
    rate_wpm: int = 160,
    length: Length | None = None,
    language: str = "en",
    units: str = "metric",
) -> list[Phrase]:
    """Return all phrases, each text once; ``length`` measures a text [s], else it is estimated at ``rate_wpm``.

    Raise CoachError for an invalid profile or rule set.
    """
    plan = load_plan(profile)
    seconds = length if length is not None else lambda text: estimate_s(text, rate_wpm)
    seen: dict[tuple[str, str], Phrase] = {}
    for row in audit(load_rules(rules, language, units), plan.corners):
        seen.setdefault((row.rule, row.text), Phrase(row, seconds(row.text)))
    return list(seen.values())
