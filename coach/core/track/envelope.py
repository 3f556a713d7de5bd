"""The performance envelope: how hard the car was seen to brake, turn and drive, as a few physical parameters.

Tyre acceleration grows with load: ``base * load + aero * v^2``, where ``load`` is the share of the car's weight that
rests on the road (gradient and vertical curvature change it) and ``aero`` the downforce times the friction.
Longitudinal and lateral use share the tyre: ``(x / X)^p + (y / Y)^p = 1``, p = 2 the friction ellipse (Beckman, The
Physics of Racing, part 7: "The Traction Budget", from memory), p = 1 the diamond, a large p a box.
"""

from __future__ import annotations

import math
from typing import Final

import msgspec
import numpy as np

from coach.core.columns import Floats

G_MPS2: Final = 9.80665
SLOWEST_MPS: Final = 3.0


class GripLimit(msgspec.Struct, frozen=True):
    """Tyre acceleration in one direction [m/s2]: ``base_mps2 * load + aero_pm * v^2``.

    Downforce counts up to ``fastest_mps``, the highest observed speed; beyond it the limit is constant.
    """

    base_mps2: float
    aero_pm: float = 0.0
    fastest_mps: float = 150.0
    most_mps2: float = 1000.0
    """A further bound [m/s2] independent of the tyres: brake torque."""

    def at(self, speed_mps: Floats, load: Floats) -> Floats:
        """Return the limit [m/s2] at each speed and load, arrays of one shape."""
        seen = np.minimum(speed_mps, self.fastest_mps)
        return np.asarray(self.base_mps2 * load + self.aero_pm * seen * seen)

    def corner_speed(self, curvature_pm: float, weight: float = 1.0, lift_pm: float = 0.0) -> float:
        """Return the highest speed [m/s] on a curvature (>= 0) [1/m] with no longitudinal force; inf on a straight.

        The load on the road is ``weight + lift_pm * v^2`` (``lift_pm`` = vertical curvature / g).
        """
        base = self.base_mps2 * weight
        slope = curvature_pm - self.base_mps2 * lift_pm
        spare = slope - self.aero_pm
        v = math.sqrt(base / spare) if spare > 0.0 else math.inf
        if v <= self.fastest_mps:
            return v
        top = base + self.aero_pm * self.fastest_mps**2
        return math.sqrt(top / slope) if slope > 0.0 else math.inf


class Envelope(msgspec.Struct, frozen=True, kw_only=True):
    """The shown limits; None where the driver never came near one (or may just have been careful).

    ``left`` and ``right`` lateral limits in turns to that side, ``brake`` the tyres' deceleration, ``traction`` the
    traction of the driven wheels (None: never the limit), ``power_wpkg`` [W/kg] and ``drag_pm`` [1/m] full throttle: a
    = power / v - drag v^2 - rolling. ``exponent`` p of the combined limit.
    """

    left: GripLimit | None = None
    right: GripLimit | None = None
    brake: GripLimit | None = None
    traction: GripLimit | None = None
    power_wpkg: float | None = None
    drag_pm: float = 0.0
    rolling_mps2: float = 0.0
    exponent: float = 1.0

    @property
    def whole(self) -> bool:
        """Whether it suffices for a speed profile."""
        return None not in (self.left, self.right, self.brake, self.power_wpkg)

    def times(self, share: float) -> Envelope:
        """Return the envelope with ``share`` of its grip and power (same drag)."""

        def part(limit: GripLimit | None) -> GripLimit | None:
            if limit is None:
                return None
            return GripLimit(share * limit.base_mps2, share * limit.aero_pm, limit.fastest_mps, share * limit.most_mps2)

        return msgspec.structs.replace(
            self,
            left=part(self.left),
            right=part(self.right),
            brake=part(self.brake),
            traction=part(self.traction),
            power_wpkg=None if self.power_wpkg is None else share * self.power_wpkg,
        )


class Shown(msgspec.Struct, frozen=True, kw_only=True):
    """The car's envelope from a survey's laps, stored with its reference.

    ``draws`` are envelopes of resampled laps, for the uncertainty. ``reachable`` marks a reachable lap as reference,
    not a driven one; ``share`` is the share of the envelope it uses (below 1 in a real car). ``at_least``: nothing
    proves that these are the car's limits, so it may have more.
    """

    envelope: Envelope
    draws: tuple[Envelope, ...] = ()
    laps: int = 0
    reachable: bool = False
    at_least: bool = False
    share: float = 1.0
