"""Recent findings of each corner, and what they mean for a rule."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from statistics import fmean
from typing import Final

from coach.core.cue.rules import CueRule
from coach.core.values import Finding

LINE_FAULTS: Final = frozenset(
    {"turn_in_early", "turn_in_late", "apex_missed", "exit_narrow", "exit_wide", "brake_late"}
)
ABOUT: Final[dict[str, frozenset[str]]] = {
    "brake_board": frozenset({"brake_early", "brake_late"}),
    "gradient": frozenset({"brake_late"}),  # it says "earlier": early braking does not need it
    "gear": frozenset({"gear_high", "gear_low"}),
    "apex": frozenset({"turn_in_early", "turn_in_late", "apex_missed"}),
    "kerb_entry": frozenset({"turn_in_early", "turn_in_late"}),
    "kerb_apex": frozenset({"apex_missed"}),
    "kerb_exit": frozenset({"exit_narrow", "exit_wide"}),
    "track_limit": frozenset({"exit_wide"}),
}
"""Faults that show an unlearned reminder; for other reminders any fault in the corner does."""
CARRIES_OUT: Final = LINE_FAULTS - {"exit_narrow"}
"""Faults that a pass over the track limits may teach: never more speed, never more road."""
ONE_CURE: Final[tuple[frozenset[str], ...]] = (
    frozenset({"throttle_late", "throttle_soft", "coasting", "grip_exit"}),
    frozenset({"brake_soft", "grip_braking"}),
    frozenset({"slow_middle", "grip_middle"}),
    frozenset({"turn_in_late", "apex_missed"}),
)
"""Faults with one cure: in turns they are one habit (common practice, no source)."""
CURED: Final = 0.5
"""Share of a fault's cost that must be gained for a cure: a driver who only was not found out gains nothing."""
CLEARLY: Final = 2.0
"""Standard errors that scatter alone seldom exceeds."""
PASSES: Final = 8
"""Number of remembered passes of a corner; a rule uses the last ``of_last``."""


class Recent:
    """The findings of the last valid passes, by corner."""

    def __init__(self) -> None:
        self._passes: dict[int, list[tuple[Finding, ...]]] = {}
        self._losses: dict[int, list[float]] = {}

    @property
    def corners(self) -> tuple[int, ...]:
        """The corners passed so far."""
        return tuple(self._passes)

    def move(self, moved: Mapping[int, int]) -> None:
        """Renumber corners, ``moved`` old -> new; forget corners missing in it."""
        self._passes = {moved[c]: kept for c, kept in self._passes.items() if c in moved}
        self._losses = {moved[c]: kept for c, kept in self._losses.items() if c in moved}

    def add(self, corner: int, findings: tuple[Finding, ...], loss_s: float = math.nan) -> None:
        """Add one pass, which lost ``loss_s`` over corner and straight; NaN if unknown."""
        losses = self._losses.setdefault(corner, [])
        losses.append(loss_s)
        del losses[:-PASSES]
        passes = self._passes.setdefault(corner, [])
        passes.append(findings)
        del passes[:-PASSES]

    def last(self, corner: int) -> tuple[Finding, ...]:
        """Return the findings of the last pass."""
        passes = self._passes.get(corner)
        return passes[-1] if passes else ()

    def seen(self, rule: CueRule, corner: int) -> tuple[int, Finding | None]:
        """Count the last ``of_last`` passes with the rule's fault or one of its cure; also the latest finding."""
        passes = self._passes.get(corner, ())[-rule.of_last :]
        if not any(passes):
            return 0, None
        found = [f for findings in passes for f in findings if f.fault == rule.about]
        counted = [f for f in found if _counts(f, rule)]
        latest = (counted or found)[-1] if found else None
        same = next((cure for cure in ONE_CURE if rule.about in cure), frozenset()) - {rule.about}
        shown = sum(
            any(
                _counts(f, rule) if f.fault == rule.about else f.fault in same and f.cost_s >= rule.min_cost_s
                for f in findings
            )
            for findings in passes
        )
        return shown, latest

    def due(self, rule: CueRule, corner: int, known: bool = False) -> bool:
        """Return whether the last pass has the fault, and it is ``known`` or was found often enough.

        A fault just fixed is not named.
        """
        return shows(rule, self.last(corner)) and (known or self.seen(rule, corner)[0] >= rule.seen)

    def amount(self, rule: CueRule, corner: int) -> float:
        """Return the mean amount of the fault over those of the last three passes with it; 0 without any."""
        passes = self._passes.get(corner, [])[-3:]
        found = [f.amount for findings in passes for f in findings if f.fault == rule.about and _counts(f, rule)]
        return sum(found) / len(found) if found else 0.0

    def share(self, rule: CueRule, corner: int) -> float:
        """Return the share of remembered passes with the fault, with one of each kind added."""
        passes = self._passes.get(corner, [])
        had = sum(any(f.fault == rule.about and _counts(f, rule) for f in findings) for findings in passes)
        return (had + 1.0) / (len(passes) + 2.0)

    def gained(self, rule: CueRule, corner: int, good: int) -> bool:
        """Return whether the last ``good`` passes lost less than those with the fault: by CURED of its cost, and by
        CLEARLY standard errors of the difference.

        True too if the losses are unknown.
        """
        passes, losses = self._passes.get(corner, []), self._losses.get(corner, [])
        had = [
            (f.cost_s, loss)
            for findings, loss in zip(passes[:-good], losses[:-good], strict=True)
            for f in findings
            if f.fault == rule.about and _counts(f, rule)
        ]
        if not had:
            return not losses or not all(map(math.isfinite, losses))
        before, now = [loss for _, loss in had], losses[-good:]
        gain = fmean(before) - fmean(now)
        away = sum((loss - fmean(some)) ** 2 for some in (before, now) for loss in some)
        pooled = away / max(len(before) + len(now) - 2, 1)
        error = math.sqrt(pooled * (1.0 / len(before) + 1.0 / len(now)))
        return not math.isfinite(gain) or gain >= max(CURED * fmean(cost for cost, _ in had), CLEARLY * error)

    def faults(self, corner: int, rules: Iterable[CueRule]) -> frozenset[str]:
        """Return the faults at ``corner`` that corrections among ``rules`` must name now."""
        if not self.last(corner):
            return frozenset()
        return frozenset(r.about for r in rules if r.family == "correction" and self.due(r, corner))

    def usual(self, corner: int) -> frozenset[str]:
        """Return the faults in two of the remembered passes, whether a rule corrects them or not."""
        passes = [{f.fault for f in findings} for findings in self._passes.get(corner, ())]
        return frozenset(f for found in passes for f in found if sum(f in other for other in passes) > 1)

    def line_is_off(self, corner: int) -> bool:
        """Return whether one of the last two passes had a fault of the line."""
        passes = self._passes.get(corner, ())[-2:]
        return any(f.fault in LINE_FAULTS for findings in passes for f in findings)

    def cost(self, corner: int, rules: Sequence[CueRule]) -> float:
        """Return the mean cost of the faults of ``rules`` in the last three passes [s], weighted by probability; more
        if it grows.
        """
        costs = [
            sum(f.cost_s * f.probability for f in findings if any(f.fault == r.about and _counts(f, r) for r in rules))
            for findings in self._passes[corner][-3:]
        ]
        trend = costs[-1] - costs[0] if len(costs) > 1 else 0.0
        return sum(costs) / len(costs) + 0.25 * max(trend, 0.0)


def shows(rule: CueRule, findings: tuple[Finding, ...]) -> bool:
    """Return whether ``findings`` show a fault of ``rule``, or that it is not learned yet."""
    if not findings:
        return False
    if rule.family in ("correction", "confirmation"):
        return any(f.fault == rule.about and _counts(f, rule) for f in findings)
    wanted = ABOUT.get(rule.about)
    return any(wanted is None or f.fault in wanted for f in findings)


def _counts(finding: Finding, rule: CueRule) -> bool:
    return finding.amount >= rule.min_amount and finding.cost_s >= rule.min_cost_s
