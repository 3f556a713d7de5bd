"""Corners where only the lap distance is known: from dips of the speed.

A corner is a minimum of the speed (smoothed over 0.3 s) that lies at least DIP of the speed, and 2 m/s, below both
sides. Apex: the minimum. Brake: as with positions. Turn-in: where LOST of the speed loss is done (the steering angle's
rise to a fifth of its peak where steering is given). Exit: where sustained full throttle begins, else where half of the
loss is recovered; end: where four fifths are recovered, or the next braking begins. Direction: the sign of the steering
around the apex; without steering it is unknown and set to "right", with a note.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter1d

from coach.core.columns import Floats
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.survey.corners import Lane
from coach.survey.places import Span, brake_start, exit_start, lowest_gear, ordered
from coach.survey.smooth import peaks

DIP: Final = 0.08
LEAST_MPS: Final = 2.0
LOST: Final = 0.75


def corners_from_speed(reference: Reference, steer: Floats) -> tuple[Corner, ...]:
    """Return corners named T1.. ; ``steer`` at the nodes (left +), all NaN if absent."""
    n, step = len(reference), reference.step_m
    speed = np.maximum(reference.speed_mps, 1.0)
    v = gaussian_filter1d(speed, 0.15 * float(np.mean(speed)) / step, mode="wrap" if reference.closed else "nearest")
    first = int(np.argmax(v)) if reference.closed else 0
    v, turned = np.roll(v, -first), np.roll(steer, -first)
    none = np.zeros(n)
    lap = Lane(
        first, step, v, none, none, np.roll(reference.throttle, -first), np.roll(reference.brake, -first),
        np.concatenate([[0.0], np.cumsum(step / v)[:-1]]),
    )  # fmt: skip
    dips, depth = peaks(-v, LEAST_MPS)
    deep = depth >= DIP * v[dips]
    out: list[Span] = []
    places = dips[deep].tolist()
    for k, apex in enumerate(places):
        left = places[k - 1] if k else 0
        right = places[k + 1] if k + 1 < len(places) else n - 1
        fastest_before = left + int(np.argmax(v[left : apex + 1]))
        fastest_after = apex + int(np.argmax(v[apex : right + 1]))
        fall, rise = v[fastest_before] - v[apex], v[fastest_after] - v[apex]
        turn_in = fastest_before + int(np.argmax(v[fastest_before : apex + 1] <= v[fastest_before] - LOST * fall))
        end = apex + int(np.argmax(v[apex : fastest_after + 1] >= v[apex] + 0.8 * rise))
        half = apex + int(np.argmax(v[apex : fastest_after + 1] >= v[apex] + 0.5 * rise))
        direction: str = "right"
        if np.isfinite(turned).all():
            around = turned[turn_in : half + 1]
            direction = "left" if float(np.median(around)) > 0 else "right"
            peak = float(np.abs(around).max())
            straight = np.flatnonzero(np.abs(turned[fastest_before : apex + 1]) < 0.2 * peak)
            if len(straight):
                turn_in = min(fastest_before + int(straight[-1]) + 1, apex)
        exit_ = exit_start(lap, (apex,), apex, end)
        brake = brake_start(lap, left, turn_in, apex)
        out.append(
            Span(
                direction="left" if direction == "left" else "right", brake=brake, turn_in=turn_in, apex=apex,
                exit=half if exit_ == end else exit_, end=end,
                gear=lowest_gear(np.roll(reference.gear, -first)[turn_in : half + 1]), kind=None,
            )
        )  # fmt: skip
    return ordered(reference, lap, out)
