"""How likely this driver is to respond to a cue: a Beta-Bernoulli model, learnt from what he did after each one.

A cue responds when the next valid pass has the fault no more, or at most RESPONDED of its amount. The chance of one
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
"""Assumed, no source: half of what is said is done the next time."""
WEIGHT: Final = 2.0
"""Assumed, no source: the prior counts as much as so many cues."""


class Sent(msgspec.Struct):
    """A cue whose outcome is not known yet."""

    rule: str
    key: str
    slot: str
    amount: float


class Responses:
    """Learns in ``memory``, where it is kept by name."""

    def __init__(self, memory: DriverProgress) -> None:
        self.memory = memory
        self._sent: dict[int, Sent] = {}

    def forget_sent(self) -> None:
        """Corners have other numbers."""
        self._sent.clear()

    def told(self, corner: int, rule: str, key: str, slot: str, amount: float) -> None:
        """A correction with this ``key`` (rule, corner and wording) was spoken in ``slot`` about ``amount``."""
        self._sent[corner] = Sent(rule, key, slot, amount)

    def passed(self, corner: int, amounts: dict[str, float]) -> None:
        """The next pass: ``amounts`` are the faults that were found, by rule; a fault that was not found is absent."""
        sent = self._sent.pop(corner, None)
        if sent is None:
            return
        worked = amounts.get(sent.rule, 0.0) <= RESPONDED * sent.amount
        for key in (sent.key, f"slot {sent.slot}", "all"):
            known = self.memory.responses.setdefault(key, Outcomes())
            known.count += 1
            known.worked += worked

    def chance(self, key: str, slot: str) -> float:
        """Return the chance that a cue with this ``key`` in ``slot`` is responded to, in (0, 1)."""
        mean = PRIOR
        for level in ("all", f"slot {slot}", key):
            known = self.memory.responses.get(level)
            if known is not None:
                mean = (WEIGHT * mean + known.worked) / (WEIGHT + known.count)
        return mean
