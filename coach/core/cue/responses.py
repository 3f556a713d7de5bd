"""How likely this driver is to respond to a cue: a Beta-Bernoulli model, learned from the responses to earlier cues.

A cue works if the next valid pass no longer has the fault, or at most RESPONDED of its amount. The chance of one
wording at one corner starts from the driver's share of the slot and of all cues, and moves with its own outcomes:
partial pooling by pseudo-counts (Gelman et al., Bayesian Data Analysis, chapters 2 and 5, from memory).
"""

from __future__ import annotations

from typing import Final

import msgspec

from coach.core.cue.memory import DriverProgress, Outcomes

RESPONDED: Final = 0.8
"""Assumed, no source: a step of the advice is a fifth of a common fault."""
PRIOR: Final = 0.5
"""Assumed, no source: drivers follow half of the cues the next time."""
WEIGHT: Final = 2.0
"""Assumed, no source: weight of the prior in cues."""


class Sent(msgspec.Struct):
    """A cue with unknown outcome."""

    rule: str
    key: str
    slot: str
    amount: float


class Responses:
    """Learns in ``memory``, which stores outcomes by name."""

    def __init__(self, memory: DriverProgress) -> None:
        self.memory = memory
        self._sent: dict[int, Sent] = {}

    def forget_sent(self) -> None:
        """Drop pending cues, as corners have new numbers."""
        self._sent.clear()

    def told(self, corner: int, rule: str, key: str, slot: str, amount: float) -> None:
        """Record a spoken correction with this ``key`` (rule, corner and wording) in ``slot`` about ``amount``."""
        self._sent[corner] = Sent(rule, key, slot, amount)

    def passed(self, corner: int, amounts: dict[str, float]) -> None:
        """Learn from the next pass: ``amounts`` are the found faults by rule; others are absent."""
        sent = self._sent.pop(corner, None)
        if sent is None:
            return
        worked = amounts.get(sent.rule, 0.0) <= RESPONDED * sent.amount
        for key in (sent.key, f"slot {sent.slot}", "all"):
            known = self.memory.responses.setdefault(key, Outcomes())
            known.count += 1
            known.worked += worked

    def chance(self, key: str, slot: str) -> float:
        """Return the probability of a response to a cue with this ``key`` in ``slot``, in (0, 1)."""
        mean = PRIOR
        for level in ("all", f"slot {slot}", key):
            known = self.memory.responses.get(level)
            if known is not None:
                mean = (WEIGHT * mean + known.worked) / (WEIGHT + known.count)
        return mean
