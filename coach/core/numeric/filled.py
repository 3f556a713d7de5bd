"""Interpolated and repeated samples: finds the rate of the measured ones.

A receiver that measures ten times a second may send 25 or 60 samples: filled in by lines or a curve, or held.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.numeric.noise import PATH_MOTION, measured_stride

HELD_S: Final = 0.25
"""A position held for longer means a stationary car."""
_FEWEST: Final = 50
FEWER: Final = 1.5
"""Least ratio of received to measured rate that means interpolated positions."""


def thinning(clock: Floats, xy: Floats) -> tuple[int, float]:
    """Return the stride at which positions ``xy`` (shape (n, 2), none a repeat) at ``clock`` [s] were measured; the
    rate [Hz].

    Held positions came when they changed: where they lie 2 and 3 samples apart in turn, the mean tells their rate.
    """
    steps = np.diff(clock)
    usual = float(np.median(steps))
    stride, _ = measured_stride(xy, usual, PATH_MOTION)
    if stride > 1:
        return stride, measured_rate(xy, usual, stride)
    brief = steps[(steps > 0.0) & (steps <= HELD_S)]
    return 1, 1.0 / (float(np.mean(brief)) if len(brief) else usual)


def filled_note(came_hz: float, measured_hz: float) -> str:
    """Return the note about interpolated positions."""
    return (
        f"positions come {came_hz:.0f} times a second but were measured about {measured_hz:.0f} times: "
        "the rest is filled in, and does not count as measured here"
    )


def session_note(clock: Floats, x: Floats, y: Floats) -> str:
    """Return :func:`filled_note` of a whole session, shapes (n,), if its positions were interpolated; else ""."""
    known = np.isfinite(clock) & np.isfinite(x) & np.isfinite(y)
    clock, xy = clock[known], np.column_stack([x[known], y[known]])
    new = ~repeats(xy[:, 0], xy[:, 1])
    if int(new.sum()) < _FEWEST:
        return ""
    came = 1.0 / float(np.median(np.diff(clock)))
    _, measured = thinning(clock[new], xy[new])
    return filled_note(came, measured) if came > FEWER * measured else ""


def measured_rate(y: Floats, dt: float, stride: int) -> float:
    """Return the rate [Hz] at which samples ``y`` (shape (n,) or (n, 2)), spaced ``dt`` [s], were measured, if
    ``stride`` > 1.

    The power of the second differences of filled samples comes and goes with the measured ones: it has a line in its
    spectrum at their rate, which is looked for within a factor of 1.75 around that of the stride.
    """
    rate = 1.0 / dt
    power = np.abs(y[2:] - 2.0 * y[1:-1] + y[:-2]) ** 2
    power = power.sum(axis=1) if power.ndim == 2 else power
    good = power[np.isfinite(power)]
    # single events (a gear change, a kerb) must not dominate
    power = np.minimum(np.where(np.isfinite(power), power, 0.0), 20.0 * float(np.mean(good)) if len(good) else 0.0)
    lines = np.abs(np.fft.rfft((power - power.mean()) * np.hanning(len(power))))
    hz = np.fft.rfftfreq(len(power), dt)
    near = (hz > rate / stride / 1.75) & (hz < min(rate / stride * 1.75, 0.5 * rate))
    return float(hz[near][lines[near].argmax()]) if near.any() else rate / stride


def repeats(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Return which samples of a position, both shapes (n,), repeat the previous one."""
    same = np.zeros(len(x), dtype=np.bool_)
    np.logical_and(x[1:] == x[:-1], y[1:] == y[:-1], out=same[1:])
    return same


def without_repeats(clock: Floats, speed: Floats, repeated: NDArray[np.bool_]) -> Floats:
    """Return the speed with lines instead of steps where it repeats together with the position (``repeated``), shapes
    (n,).

    A value unchanged for longer than HELD_S means a stationary car.
    """
    same = repeated & (np.diff(speed, prepend=np.nan) == 0)
    new = np.flatnonzero(np.isfinite(speed) & ~same)
    if len(new) < 2:
        return speed
    after = np.searchsorted(new, np.arange(len(speed)))
    inside = (after > 0) & (after < len(new))
    after = np.clip(after, 1, len(new) - 1)
    brief = clock[new[after]] - clock[new[after - 1]] <= HELD_S
    return np.where(same & inside & brief, np.interp(clock, clock[new], speed[new]), speed)
