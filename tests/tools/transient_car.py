"""The car of the transient simulator: a single-track model with brush tyres, forces of many cars at once.

Tyre: the brush model of Fiala 1954 in the form of Pacejka 2012, Tire and Vehicle Dynamics, chapter 3, with the side
force that a longitudinal force leaves by the friction circle, as in Hindiyeh and Gerdes 2014 (from memory). Single
track: Milliken and Milliken 1995, Race Car Vehicle Dynamics, chapter 5. The cars' numbers are ours (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
G: Final = 9.81
HELD: Final = 0.98
"""Share of the friction circle that driver or anti-lock lets a longitudinal force take."""


@dataclass(frozen=True)
class Car:
    """SI units. ``front_m``/``rear_m`` axle to centre of mass; ``stiffness`` cornering stiffness per load [1/rad],
    ``stiffer_rear`` times that at the rear;
    ``fading`` loss of grip per doubling of the load; ``drag``/``downforce`` [N s2/m2]; ``tops`` speed at the limiter
    in each gear [m/s]; ``drive_front`` share of the drive; ``gap_s`` no drive while a gear is changed upwards;
    ``lifts`` whether the driver lets the throttle go for it; ``care``
    the share of the grip that its driver plans with."""

    mass: float = 1080.0
    inertia: float = 1450.0
    front_m: float = 1.42
    rear_m: float = 1.18
    height_m: float = 0.38
    grip_front: float = 1.36
    grip_rear: float = 1.50
    fading: float = 0.08
    stiffness: float = 19.0
    stiffer_rear: float = 1.25
    drag: float = 0.62
    downforce: float = 1.3
    aero_front: float = 0.42
    power: float = 265e3
    tops: tuple[float, ...] = (21.0, 28.0, 36.0, 45.0, 55.0, 67.0, 80.0)
    drive_front: float = 0.0
    engine_brake: float = 900.0
    brake_force: float = 19500.0
    brake_front: float = 0.62
    gap_s: float = 0.08
    lifts: bool = False
    care: float = 0.97

    @property
    def base(self) -> float:
        """Wheelbase [m]."""
        return self.front_m + self.rear_m


LIGHT: Final = Car()
HEAVY: Final = Car(
    mass=1560.0, inertia=2500.0, front_m=1.36, rear_m=1.34, height_m=0.50, grip_front=1.10, grip_rear=1.21, fading=0.10,
    stiffness=16.0, drag=0.52, downforce=0.35, aero_front=0.40, power=330e3,
    tops=(19.0, 28.0, 38.0, 49.0, 61.0, 75.0), drive_front=0.4, engine_brake=1300.0, brake_force=21000.0,
    brake_front=0.64, gap_s=0.22, lifts=True, care=0.84,
)  # fmt: skip
"""Rear drive, slick tyres, downforce and a quick gearbox; and all drive, heavy, road tyres and a slow gearbox."""


def torque(u: Floats) -> Floats:
    """Torque against its greatest at a share ``u`` of the limiter's speed; none above the limiter."""
    out: Floats = np.where(u < 1.0, 1.0 - 1.6 * (u - 0.7) ** 2, 0.0)
    return out


def pull(car: Car, speed: Floats, top: Floats) -> Floats:
    """Greatest drive force [N] in the gear whose limiter is at ``top`` [m/s]."""
    # u * torque(u) is 0.856 at its greatest
    out: Floats = car.power / 0.856 / top * torque(speed / top)
    return out


def side_force(slip: Floats, load: Floats, grip: Floats, along: Floats, stiffness: float) -> Floats:
    """Side force [N] of an axle at the tangent of its slip angle under ``load`` [N] and the force ``along`` [N]."""
    most = np.sqrt(np.maximum((grip * load) ** 2 - along**2, 1.0))
    c = stiffness * load
    # beyond this slip all of the contact patch slides
    x = np.minimum(c * np.abs(slip) / (3.0 * most), 1.0)
    out: Floats = -np.sign(slip) * most * x * (3.0 - 3.0 * x + x * x)
    return out


def loads(car: Car, speed: Floats, along: Floats, lift: Floats) -> tuple[Floats, Floats]:
    """Load [N] of the front and the rear axle; ``along`` acceleration [m/s2], ``lift`` the road's push [m/s2]."""
    weight, air = car.mass * lift, car.downforce * speed * speed
    moved = car.mass * along * car.height_m / car.base
    front = weight * car.rear_m / car.base + car.aero_front * air - moved
    rear = weight * car.front_m / car.base + (1.0 - car.aero_front) * air + moved
    return np.maximum(front, 300.0), np.maximum(rear, 300.0)


def grip(car: Car, load: Floats, front: bool) -> Floats:
    """Coefficient of friction of an axle under a load: it fades as the load grows."""
    own = car.mass * G * (car.rear_m if front else car.front_m) / car.base
    out: Floats = (car.grip_front if front else car.grip_rear) * (1.0 - car.fading * (load / own - 1.0))
    return out


@dataclass
class Push:
    """Effects of road and air on the car: accelerations of vx, vy and yaw rate, and the axles' forces [N]."""

    ax: Floats
    ay: Floats
    yaw: Floats
    rear_side: Floats
    rear_most: Floats
    front_side: Floats
    front_most: Floats
    front_load: Floats
    drive: Floats
    braking: Floats


def forces(
    car: Car, share: Floats, vx: Floats, vy: Floats, yaw: Floats, steer: Floats, along: Floats,
    lift: Floats, slope: Floats, drive: Floats, brake: Floats,
) -> Push:  # fmt: skip
    """Accelerations of cars (n,) at a state; ``share`` scales the grip; ``drive`` and ``brake`` are wanted [N]."""
    front, rear = loads(car, vx, along, lift)
    most_f, most_r = share * grip(car, front, True), share * grip(car, rear, False)
    cap_f, cap_r = HELD * most_f * front, HELD * most_r * rear
    drive_f, drive_r = car.drive_front * drive, (1.0 - car.drive_front) * drive
    fx_f = np.minimum(np.maximum(drive_f - car.brake_front * brake, -cap_f), cap_f)
    fx_r = np.minimum(np.maximum(drive_r - (1.0 - car.brake_front) * brake, -cap_r), cap_r)
    fy_f = side_force(np.tan(np.arctan2(vy + car.front_m * yaw, vx) - steer), front, most_f, fx_f, car.stiffness)
    fy_r = side_force((vy - car.rear_m * yaw) / vx, rear, most_r, fx_r, car.stiffness * car.stiffer_rear)
    c, s = np.cos(steer), np.sin(steer)
    turn = fy_f * c + fx_f * s
    ax = (fx_f * c - fy_f * s + fx_r - car.drag * vx * vx) / car.mass - G * slope
    ay = (turn + fy_r) / car.mass
    out_yaw = (car.front_m * turn - car.rear_m * fy_r) / car.inertia
    return Push(ax, ay, out_yaw, fy_r, most_r * rear, fy_f, most_f * front, front, fx_f + fx_r, brake)
