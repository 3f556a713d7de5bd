"""Detects interpolated samples: a recording upsampled by lines, a curve or repetition.

White noise is as strong in every second or third sample as in all of them (``noise_level`` of a strided channel).
Interpolated samples share their neighbours' noise and look smooth: the noise grows with the stride up to the measured
rate. The channel is then sampled at the least stride with half of the noise's power. Strides where the car's motion may
leave that much in the fifth differences are inconclusive.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.survey.smooth import noise_level

LONGEST_S: Final = 0.2
"""The lowest rate considered is 5 Hz."""
PATH_MOTION: Final = 160.0
"""Fifth differences of a car's path [m/s5]: weaving 0.24 m to both sides once a second."""
SPEED_MOTION: Final = 1000.0
"""The same of its speed [m/s6]: swinging 1.5 m/s to both sides once a second."""
_HALF_POWER: Final = 0.5**0.5
HELD_S: Final = 0.25
"""A position held for longer means a stationary car."""


def measured_stride(y: Floats, dt: float, motion: float) -> tuple[int, float]:
    """Return the least stride at which the samples ``y``, shape (n,) or (n, 2), spaced ``dt`` [s], carry independent
    noise.

    With the noise at that stride (standard deviation of one sample); stride 1 if all samples were measured.
    """
    levels = [noise_level(y[::k]) for k in range(1, max(int(LONGEST_S / dt + 1e-6), 1) + 1)]
    telling = [k for k, level in enumerate(levels, start=1) if level > motion * (k * dt) ** 5]
    if not telling:
        return 1, levels[0]
    enough = _HALF_POWER * levels[telling[-1] - 1]
    stride = next(k for k, level in enumerate(levels, start=1) if level >= enough)
    return stride, levels[stride - 1]


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
