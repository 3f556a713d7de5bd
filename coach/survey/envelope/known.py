"""Whether a fitted limit is one: the driver reached the tyres, not his own margin.

Cornering: several corners reach the same limit. A careful driver's margin differs from corner to corner, a tyre's does
not. Braking: a place that is braked hard in several laps is enough, but it must be about as hard as the cornering, for
the same tyres do both, and the pedal must have gone near its end. No test here tells the same margin everywhere from a
car with less grip: only anti-lock at work proves a limit, or the driver says so. Thresholds: common practice,
no source.
"""

from __future__ import annotations

from typing import Final

import msgspec
import numpy as np

from coach.core.columns import Floats
from coach.core.track.envelope import Envelope
from coach.survey.envelope.samples import FEWEST_PLACES, Samples

TOUCHED: Final = (0.97, 1.035)
"""A corner reaches a limit if its use lies between these; use beyond it contradicts the limit."""
AGREE: Final = 0.45
"""Least share of corners that reach a limit."""
HARD: Final = 0.65
"""Braking below this share of the cornering limit is not the tyres' (friction circle: about 1; soft tyres, 0.75)."""
PRESSED: Final = 0.8
"""A brake pedal that never goes beyond this share of its travel has more to give."""


def known_limits(
    samples: Samples, made: Envelope, side_use: Floats, slowing: Floats, sure: bool
) -> tuple[Envelope, tuple[str, ...]]:  # fmt: skip
    """Return the envelope without what does not look like a limit, and what is missing, in sentences.

    ``side_use`` is the share of the lateral limit, ``slowing`` the tyres' deceleration [m/s2], (laps, blocks) both.
    ``sure``: the limits are proven, or the driver says that he was at them.
    """
    unknown = []
    if made.power_wpkg is None:
        unknown.append("driving: no full throttle on a straight")
    side = _touches(samples, side_use)
    reached = sum(TOUCHED[0] <= u <= TOUCHED[1] for u in side)
    braking = _braking(samples, made, slowing, sure)
    if made.left is None or reached < max(FEWEST_PLACES, AGREE * len(side)):
        words = (
            f"{reached} of {len(side)} corners reach the same limit; it takes {FEWEST_PLACES}, and {AGREE:.0%} of them"
        )
        unknown.append(f"cornering: {words if side else 'never near a limit'}")
        made = msgspec.structs.replace(made, left=None, right=None)
    if braking:
        unknown.append(f"braking: {braking}")
        made = msgspec.structs.replace(made, brake=None)
    return made, tuple(unknown)


def proven(samples: Samples) -> bool:
    """Return whether anti-lock came on in several places or laps."""
    return int((_by_pass(samples, samples.locked.astype(np.float64)) > 0.0).sum()) >= FEWEST_PLACES


def _braking(samples: Samples, made: Envelope, slowing: Floats, sure: bool) -> str:
    """Return why the braking limit is unknown; empty if it is known."""
    if made.brake is None or made.left is None or made.right is None:
        return "never near a limit"
    cornering = 0.5 * (made.left.base_mps2 + made.right.base_mps2)
    hardest = _third(_by_pass(samples, slowing))
    share = min(made.brake.base_mps2, hardest) / cornering
    if share < HARD:
        return f"{share:.0%} of the cornering limit at most; it takes {HARD:.0%} in {FEWEST_PLACES} places or laps"
    if samples.pressed is None or sure:
        return ""
    pedal = _third(_by_pass(samples, samples.pressed))
    if pedal >= PRESSED:
        return ""
    return (
        f"pedal at {pedal:.0%} at most; it takes {PRESSED:.0%} in {FEWEST_PLACES} places or laps, or anti-lock at work"
    )


def _by_pass(samples: Samples, values: Floats) -> Floats:
    """Return the largest of ``values`` (laps, blocks) in each pass of each corner, (passes,)."""
    corners = np.unique(samples.corner[samples.corner >= 0])
    if not len(corners):
        return np.zeros(0)
    return np.concatenate([values[:, samples.corner == k].max(axis=1) for k in corners])


def _third(values: Floats) -> float:
    """Return what FEWEST_PLACES of the values reach."""
    return float(np.sort(values)[-FEWEST_PLACES]) if len(values) >= FEWEST_PLACES else 0.0


def _touches(samples: Samples, use: Floats) -> list[float]:
    """Return each corner's use: at the laps' largest median, the value a fifth of the passes reach.

    At one place for all laps: each pass's own maximum would be noise. Corners with little use are left out.
    """
    usual = np.median(use, axis=0)
    out = []
    for corner in range(int(samples.corner.max(initial=-1)) + 1):
        here = np.flatnonzero(samples.corner == corner)
        if len(here):
            out.append(float(np.quantile(use[:, here[int(np.argmax(usual[here]))]], 0.8)))
    return [u for u in out if u > 0.5]
