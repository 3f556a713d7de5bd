"""The practice car: a GT-class racer as a point mass with an engine, six gears and downforce.

Every number is common practice, no source, chosen within what such cars are known for (about 1300 kg and
400 kW, near 270 km/h, 1.3 g in slow and 1.6 g in fast corners); the limits of a real car are taken from
its laps, never from here.
"""

from __future__ import annotations

from dataclasses import dataclass

GRAVITY_MPS2 = 9.80665
CAR_HALF_WIDTH_M = 0.95


@dataclass(frozen=True)
class PracticeCar:
    """Properties that limit the speed of a point mass on a path.

    ``grip`` friction coefficient the driver uses; ``drive_share`` of it can be put down by the driven wheels;
    ``downforce_pm`` and ``drag_pm`` are 0.5 * rho * area * coefficient / mass [1/m]; ``brake_full_mps2`` the
    deceleration of a fully pressed pedal where grip allows it. ``top_mps`` are the speeds at which each gear
    reaches the engine's best speed; power falls by ``sag`` * (1 - ratio)^2 below it, and no further than to
    ``least_pull`` of the full power: below walking pace the clutch slips, and the car still pulls away.
    """

    mass_kg: float = 1300.0
    power_w: float = 390_000.0
    grip: float = 1.30
    drive_share: float = 0.68
    downforce_pm: float = 0.00090
    drag_pm: float = 0.00046
    rolling_mps2: float = 0.15
    engine_brake_mps2: float = 0.7
    brake_full_mps2: float = 14.5
    top_mps: tuple[float, ...] = (23.5, 31.0, 39.5, 49.5, 61.0, 76.0)
    sag: float = 1.15
    least_pull: float = 0.1
    limiter: float = 1.06
    down_at: float = 0.74
    wheelbase_m: float = 2.65
    half_width_m: float = CAR_HALF_WIDTH_M
    steer_full_rad: float = 0.45
    understeer_rad_per_mps2: float = 0.0022

    def engine_mps2(self, speed_mps: float, gear: int) -> float:
        """Return acceleration the engine can give in ``gear`` (1-based) [m/s2]; none beyond the limiter."""
        ratio = speed_mps / self.top_mps[gear - 1]
        if ratio > self.limiter:
            return 0.0
        pull = max(1.0 - self.sag * (1.0 - ratio) ** 2, self.least_pull)
        return self.power_w / self.mass_kg * pull / max(speed_mps, 5.0)
