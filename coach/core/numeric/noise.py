"""Estimates a channel's noise and measured rate, for survey, live run and debrief.

White noise is as strong in every second or third sample as in all of them. Where samples were put between the measured
ones, by lines, a curve or repetition, neighbours share their noise and look calm: the noise grows with the stride until
the stride reaches the measured rate. Strides at which the motion of the car itself may leave that much in the fifth
differences say nothing.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.numeric.reductions import median

LONGEST_S: Final = 0.2
"""The lowest rate considered is 5 Hz."""
PATH_MOTION: Final = 160.0
"""Fifth differences of a car's path [m/s5]: weaving 0.24 m to both sides once a second."""
SPEED_MOTION: Final = 1000.0
"""The same of its speed [m/s6]: swinging 1.5 m/s to both sides once a second."""
FILLED: Final = 0.5
"""Share of the noise below which interpolation is assumed; a few seconds of measured samples scatter less."""
_HALF_POWER: Final = 0.5**0.5
_MAD_TO_SIGMA: Final = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution."""
LONG: Final = 5
"""Order of the differences for comparing strides: at 5 Hz third differences contain the car's motion too."""


def white_noise(values: Floats, order: int = 3) -> float:
    """Return the standard deviation of the white noise on ``values`` (shape (n,) or (n, 2)), from differences of
    ``order``.

    A smooth signal has next to no third difference while white noise of deviation s has one of sqrt(20) s: the root of
    the binomial coefficient (2 order over order). The median ignores the few samples where the signal itself has a
    kink. 0 for fewer samples than that takes.
    """
    if len(values) < 2 * order + 2:
        return 0.0
    rest = values[1:] - values[:-1]
    for _ in range(order - 1):
        rest = rest[1:] - rest[:-1]
    size = np.abs(rest).ravel()
    level = median(size)
    if level != level:
        size = size[np.isfinite(size)]
        level = median(size) if len(size) > order else 0.0
    return _MAD_TO_SIGMA * level / math.sqrt(math.comb(2 * order, order))


def measured_stride(y: Floats, dt: float, motion: float) -> tuple[int, float]:
    """Return the least stride at which the samples ``y``, shape (n,) or (n, 2), spaced ``dt`` [s], carry noise of their
    own.

    With the noise at that stride (standard deviation of one sample); stride 1 if all samples were measured.
    """
    first = white_noise(y, LONG)
    for last in range(max(int(LONGEST_S / dt + 1e-6), 1), 1, -1):
        most = white_noise(y[::last], LONG)
        if most > motion * (last * dt) ** 5:
            break
    else:
        return 1, first
    if first >= FILLED * most:
        return 1, first
    for stride in range(2, last):
        level = white_noise(y[::stride], LONG)
        if level >= _HALF_POWER * most:
            return stride, level
    return last, most


def filled_noise(y: Floats, dt: float, motion: float, wanted: float) -> tuple[int, float]:
    """Return stride and noise of a few seconds of samples, shape (n,), if the noise matters: more than ``wanted``.

    A channel that is calm at every stride costs one estimate more than :func:`white_noise`, and has its answer.
    """
    noise = white_noise(y)
    if noise <= wanted:
        # the longest stride where motion leaves less than the wanted noise
        least = min(int(min((wanted / motion) ** 0.2, LONGEST_S) / dt + 1e-6), len(y) // (2 * LONG + 2))
        if least < 2 or white_noise(y[::least], LONG) <= wanted:
            return 1, noise
    stride, level = measured_stride(y, dt, motion)
    return (stride, level) if stride > 1 else (1, noise)
