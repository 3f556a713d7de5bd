"""Samples that were not measured: a recording filled up to a higher rate by lines, by a curve or by repetition.

White noise is as strong in every second or third sample as in all of them (``noise_level`` of a strided channel). Where
samples were put between the measured ones, neighbours share their noise and look calm: the noise grows with the stride
until the stride reaches the measured rate. The channel is then taken at the least stride that shows half of the noise's
power. Strides at which the motion of the car itself may leave that much in the fifth differences say nothing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.survey.smooth import noise_level

LONGEST_S: Final = 0.2
"""The lowest rate looked for is 5 Hz."""
PATH_MOTION: Final = 160.0
"""What a car's path leaves in the fifth differences [m/s5]: weaving 0.24 m to both sides once a second."""
SPEED_MOTION: Final = 1000.0
"""The same of its speed [m/s6]: swinging 1.5 m/s to both sides once a second."""
_HALF_POWER: Final = 0.5**0.5
HELD_S: Final = 0.25
"""A position held for longer is that of a car at a stand."""


def measured_stride(y: Floats, dt: float, motion: float) -> tuple[int, float]:
    """Return the least stride at which the samples ``y``, shape (n,) or (n, 2), spaced ``dt`` [s], carry noise of their
    own.

    With the noise at that stride (standard deviation of one sample); stride 1 for samples that were all measured.
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

    What stays the same for longer than HELD_S is a car at a stand.
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
