"""The fourth and main simulator of the benches: a transient car, a driver in the loop, human scatter.

It shares nothing with the other simulators nor with the coach. All laps of a session are driven at once; each begins
on the last part of the lap before it, so that they join. What a fault costs is the same lap driven again without it,
with the same scatter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d
from transient_car import LIGHT, Car
from transient_drive import STEP_S, Laps, Orders, drive
from transient_faults import commit
from transient_plan import FREE, Corner, Intent, backward, corners_of, forward, wanted
from transient_road import Floats, Road

Wrong = tuple[int, str, float, bool]
"""Corner, fault, amount, whether in its second way."""
RUN_UP_M: Final = 700.0
BEYOND_M: Final = 300.0
BEFORE_BRAKE_M: Final = 60.0
GRID_M: Final = 10.0
"""Where the cost of a fault is known."""
BRAKE_M, LINE_M, PRESS, THROTTLE_M, SPEED = 3.0, 0.25, 0.03, 3.0, 0.01
"""A practised driver's scatter (standard deviations): brake place, line, pressure, throttle place, share of speed."""


@dataclass(frozen=True)
class TransientTruth:
    """One injected fault: session time at the corner's slowest place, lap, corner, amount and lap time it cost.

    ``lost`` are session times (n,) and the part of the cost that was lost until then (n,).
    """

    t_s: float
    lap: int
    corner: int
    fault: str
    amount: float
    cost_s: float
    lost: tuple[Floats, Floats] = field(compare=False, repr=False)


class TransientSim:
    """A car on a road; the lap begins BEFORE_BRAKE_M before the brakes at the end of the fastest straight."""

    def __init__(self, road: Road, car: Car = LIGHT) -> None:
        self.car = car
        for _ in range(2):
            self.road = road
            one = Intent.plain(road, 1, 0)
            self.turned, bend, way = road.path(one.offset)
            self.cap = backward(car, road, bend, way, one, np.ones(1))[0]
            self.speed = forward(car, road, bend[0], way[0], self.cap)
            # laps are joined where the car is fastest
            start = int(np.argmax(self.speed)) - round(BEFORE_BRAKE_M / road.step_m)
            if start % road.n == 0:
                break
            road = _rolled(road, start)
        self.corners: list[Corner] = corners_of(self.road, bend[0], self.speed)

    @cached_property
    def flying(self) -> float:
        """Speed [m/s] at which a run-up begins."""
        return float(self.speed[-round(RUN_UP_M / self.road.step_m)])

    def laps(
        self, intents: Intent, before: list[int], noise: Floats, share: Floats, record: int = 2, step_s: float = STEP_S
    ) -> Laps:
        """Drives lanes; lane k runs up on the end of lane ``before[k]``; ``noise`` (lanes, n) beside the line [m]."""
        road = self.road
        _, bend, way = road.path(intents.offset)
        cap = backward(self.car, road, bend, way, intents, share)
        want = wanted(road, intents, cap, self.speed, self.corners)
        dragged, press = np.zeros_like(want), np.ones_like(want)
        for j, c in enumerate(self.corners):
            press[:, max(c.brake - 120, 0) : c.slowest] = intents.press[:, j : j + 1]
        for lane, j, x in intents.dragged:
            low = self.corners[j].slowest
            # the brake is let go where the wanted speed no longer falls by much
            fall = -np.gradient(want[lane, self.corners[j].brake + 3 : low] ** 2 / 2.0) / road.step_m
            hard = np.flatnonzero(fall > 2.0)
            gone = self.corners[j].brake + 3 + int(hard[-1] if len(hard) else 0)
            dragged[lane, gone : gone + x] = 0.25
        offset = intents.offset + noise
        turned, bend, way = road.path(offset)
        tail, head = round(RUN_UP_M / road.step_m), round(BEYOND_M / road.step_m)
        first = -tail * road.step_m

        def joined(a: Floats) -> Floats:
            return np.concatenate([a[before, -tail:], a, a[:, :head]], axis=1)

        wants = joined(want)
        fall = np.diff(wants**2, axis=1, append=wants[:, -1:] ** 2) / (2.0 * road.step_m)
        fall = np.where((wants >= FREE) | (np.roll(wants, -1, axis=1) >= FREE), 0.0, np.clip(fall, -18.0, 6.0))
        orders = Orders(
            first, wants, fall, joined(intents.throttle), joined(dragged), joined(press), joined(intents.gear),
            joined(offset), joined(turned), joined(bend), share,
        )  # fmt: skip
        return drive(self.car, road, orders, self.flying, road.length_m, step_s, record)

    def run(
        self, faults: Mapping[int, list[Wrong]], laps: int, rate: float, seed: int = 0, scatter: float = 0.0,
        noise: tuple[float, float] = (0.0, 0.0), grip: Mapping[int, float] | None = None,
    ) -> tuple[dict[str, Floats], list[TransientTruth]]:  # fmt: skip
        """A session: channels t_s, x_m, y_m, z_m, speed_mps, throttle, brake, gear at ``rate``, and what was injected.

        ``scatter`` 1 is a practised driver's; ``noise`` is that of positions [m] and speeds [m/s]; ``grip`` is the
        share of the grip on a lap, which the driver knows.
        """
        return self.sampled(self.drive(faults, laps, seed, scatter, grip), rate, seed, noise)

    def drive(
        self, faults: Mapping[int, list[Wrong]], laps: int, seed: int = 0, scatter: float = 0.0,
        grip: Mapping[int, float] | None = None, step_s: float = STEP_S,
    ) -> Session:  # fmt: skip
        """Drives a session; what is sampled from it is up to ``sampled``."""
        wrong = [(lap, *row) for lap in sorted(faults) if lap < laps for row in faults[lap]]
        faulty = sorted({row[0] for row in wrong})
        # lanes: the laps as driven, the faulty laps without any fault, and with each fault alone
        own = [*range(laps), *faulty, *(row[0] for row in wrong)]
        intents = self._scattered(own, laps, seed, scatter)
        amounts = []
        for k, (lap, j, fault, amount, other) in enumerate(wrong):
            for lane in (lap, laps + len(faulty) + k):
                driven = commit(self.road, intents, lane, j, self.corners[j], fault, amount, other)
            amounts.append(driven)
        beside = self._beside(laps, seed, scatter)[own]
        shares = np.array([(grip or {}).get(lap, 1.0) for lap in own])
        out = self.laps(intents, [max(lap - 1, 0) for lap in own], beside, shares, step_s=step_s)
        return Session(laps, out, wrong, amounts, {lap: laps + i for i, lap in enumerate(faulty)})

    def _scattered(self, own: list[int], laps: int, seed: int, scatter: float) -> Intent:
        intents = Intent.plain(self.road, len(own), len(self.corners))
        rng = np.random.default_rng([seed, 5])
        brake, press, gas, pace = (
            np.clip(rng.standard_normal((4, laps, len(self.corners))), -2.5, 2.5)[:, own] * scatter
        )
        intents.moved += BRAKE_M * brake
        intents.caught += 1.0
        intents.press += PRESS * press
        intents.late += THROTTLE_M * np.abs(gas)
        at = np.arange(self.road.n, dtype=float)
        for j, c in enumerate(self.corners):
            near = np.exp(-0.5 * ((at - c.slowest) / (30.0 / self.road.step_m)) ** 2)
            intents.limit *= 1.0 + SPEED * pace[:, j : j + 1] * near
        return intents

    def _beside(self, laps: int, seed: int, scatter: float) -> Floats:
        """How far beside his line the driver aims (laps, n) [m]: one wander through all laps."""
        rng = np.random.default_rng([seed, 6])
        wander = gaussian_filter1d(rng.standard_normal(laps * self.road.n), 40.0 / self.road.step_m)
        out: Floats = scatter * LINE_M * (wander / wander.std()).reshape(laps, self.road.n)
        return out

    def sampled(
        self, session: Session, rate: float, seed: int = 0, noise: tuple[float, float] = (0.0, 0.0)
    ) -> tuple[dict[str, Floats], list[TransientTruth]]:
        """The channels of a driven session at ``rate`` [Hz] with ``noise``, and what was injected."""
        road, out, laps = self.road, session.laps, session.count
        parts: dict[str, list[Floats]] = {k: [] for k in ("t", "s", "e", "speed", "throttle", "brake", "gear")}
        begun, clock = [], 0.0
        for lap in range(laps):
            t0, t1 = out.when(lap, 0.0), out.when(lap, road.length_m)
            rows = (out.t >= t0) & (out.t < t1)
            begun.append(clock - t0)
            parts["t"].append(out.t[rows] + clock - t0)
            parts["s"].append(out.rows["s"][rows, lap] + lap * road.length_m)
            for name in ("e", "speed", "throttle", "brake", "gear"):
                parts[name].append(out.rows[name][rows, lap])
            clock += t1 - t0
        whole = {name: np.concatenate(part) for name, part in parts.items()}
        t = np.arange(0.0, whole["t"][-1], 1.0 / rate)
        at = {name: np.interp(t, whole["t"], values) for name, values in whole.items() if name not in ("t", "gear")}
        place = at["s"] % road.length_m
        s = np.append(road.s, road.length_m)
        xyz = np.column_stack([road.xy, road.z])
        closed = CubicSpline(s, np.vstack([xyz, xyz[:1]]), bc_type="periodic")
        way = closed(place, 1)
        size = np.hypot(way[:, 0], way[:, 1])
        rng = np.random.default_rng([seed, 7])
        blur = noise[0] * rng.standard_normal((3, len(t)))
        centre = closed(place)
        channels = {
            "t_s": t,
            "x_m": centre[:, 0] - at["e"] * way[:, 1] / size + blur[0],
            "y_m": centre[:, 1] + at["e"] * way[:, 0] / size + blur[1],
            "z_m": centre[:, 2] + blur[2],
            "speed_mps": at["speed"] + noise[1] * rng.standard_normal(len(t)),
            "throttle": np.clip(at["throttle"], 0.0, 1.0),
            "brake": np.clip(at["brake"], 0.0, 1.0),
            "gear": whole["gear"][np.minimum(np.searchsorted(whole["t"], t), len(whole["gear"]) - 1)],
        }
        truth = []
        places = np.append(np.arange(0.0, road.length_m, GRID_M), road.length_m)
        for k, ((lap, j, fault, *_), amount) in enumerate(zip(session.wrong, session.amounts, strict=True)):
            alone, clean = laps + len(session.clean) + k, session.clean[lap]
            late = out.times(alone, places) - out.times(clean, places)
            lost = out.times(lap, places) + begun[lap], late - late[0]
            when = out.when(lap, self.corners[j].slowest * road.step_m) + begun[lap]
            truth.append(TransientTruth(when, lap, j, fault, amount, float(lost[1][-1]), lost))
        return channels, truth


@dataclass
class Session:
    """Lanes of a session: its laps, then the faulty laps without fault (``clean``: lap -> lane), then each alone."""

    count: int
    laps: Laps
    wrong: list[tuple[int, int, str, float, bool]]
    amounts: list[float]
    clean: dict[int, int]


def _rolled(road: Road, start: int) -> Road:
    """The same road with its line at another node; hills are laid out from the new line."""
    xy = np.roll(road.xy, -start, axis=0)
    return Road(xy[:, 0], xy[:, 1], road.hill_m)


def other_car(sim: TransientSim, **changed: float) -> TransientSim:
    """The same road with a changed car."""
    return TransientSim(sim.road, replace(sim.car, **changed))  # type: ignore[arg-type]
