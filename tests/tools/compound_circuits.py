"""Generated circuits with compound corners, and which corners they have by their own construction.

A circuit is a row of units joined by straights: single corners, fast bends taken with hardly a lift, two brakings in
one long bend whose load never falls (tight, wide, tight, all to one side), double apexes (tight, a little wider, tight,
with no room to brake between), left-right pairs. Radii, angles and order are drawn from the seed; the straights are
the shortest that close the lap (a linear program). The speed is that of trajectory-planning-helpers, as in
``survey_tracks``. It knows nothing of the finder, and confirms each unit or the circuit is drawn again: two brakings
show a rise of REAL_RISE or more over both minima, REAL_BRAKING_S of braking for the second and a load that stays above
LOADED all through; a double apex shows no rise above NO_RISE. What lies between is for nobody to decide and does not
occur.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "survey"))

from survey_tracks import Track, from_points, speed_profile

Floats = NDArray[np.float64]

GRIP = 14.0
REAL_RISE = 0.12
NO_RISE = 0.06
REAL_BRAKING_S = 0.4
LOADED = 0.2
FAST_LOADED = 0.6
LEAST_STRAIGHT_M = 160.0
MOST_STRAIGHT_M = 900.0
LEAST_APART_M = 45.0
STEP_M = 0.5
TWO, DOUBLE, PAIR, SINGLE, FAST = "two brakings", "double apex", "left-right pair", "single", "fast bend"


@dataclass(frozen=True)
class Placed:
    """One corner that is there: stretch [m] in which its apex must lie, the side, the unit and its kind."""

    start_m: float
    stop_m: float
    direction: str
    unit: int
    kind: str


@dataclass(frozen=True, eq=False)
class Compound:
    """A circuit and its corners in driving order."""

    track: Track
    corners: tuple[Placed, ...]


@dataclass(frozen=True)
class _Unit:
    """Pieces of (length [m], curvature [1/m], left +) with a kind."""

    kind: str
    pieces: tuple[tuple[float, float], ...]

    @property
    def turn(self) -> float:
        """The change of heading [rad]."""
        return sum(length * k for length, k in self.pieces)


@lru_cache(maxsize=80)
def compound_circuit(seed: int) -> Compound:
    """The circuit of a seed; RuntimeError if 4000 draws close none."""
    rng = np.random.default_rng(seed)
    for _ in range(4000):
        units = _units(rng)
        straights = _closing(units) if units else None
        if units is None or straights is None:
            continue
        made = _checked(units, straights)
        if made is not None:
            return made
    raise RuntimeError(f"no circuit for seed {seed}")


def _arc(
    rng: np.random.Generator, radius: tuple[float, float], degrees: tuple[float, float], side: int
) -> tuple[float, float]:
    r = rng.uniform(*radius)
    return r * math.radians(rng.uniform(*degrees)), side / r


def _unit(rng: np.random.Generator, kind: str) -> _Unit:
    side = 1 if rng.random() < 0.65 else -1
    if kind == TWO:
        first, last = (_arc(rng, (35, 110), (30, 70), side) for _ in range(2))
        wide = rng.uniform(130, 320)
        return _Unit(kind, (first, (rng.uniform(150, 380), side / wide), last))
    if kind == DOUBLE:
        first = _arc(rng, (30, 70), (35, 70), side)
        r = 1 / abs(first[1])
        last = (r * math.radians(rng.uniform(35, 70)), side / (r * rng.uniform(0.96, 1.04)))
        return _Unit(kind, (first, (rng.uniform(8, 22), side / (r * rng.uniform(1.3, 1.9))), last))
    if kind == PAIR:
        first, last = _arc(rng, (20, 60), (40, 100), side), _arc(rng, (20, 60), (40, 100), -side)
        return _Unit(kind, (first, (rng.uniform(20, 80), 0.0), last))
    if kind == FAST:
        return _Unit(kind, (_arc(rng, (220, 330), (25, 50), side),))
    return _Unit(kind, (_arc(rng, (15, 120), (50, 160), side),))


def _units(rng: np.random.Generator) -> list[_Unit] | None:
    """Two to three compound units among others; the last single corner makes the turns add up to a circle."""
    kinds = [TWO, DOUBLE, PAIR, *rng.choice([TWO, DOUBLE, PAIR, SINGLE, FAST], size=int(rng.integers(1, 4)))]
    units = [_unit(rng, str(kind)) for kind in rng.permutation(kinds)]
    rest = 2 * math.pi - sum(u.turn for u in units)
    if not math.radians(40) < abs(rest) < math.radians(175):
        return None
    radius = rng.uniform(15, 120)
    return [*units, _Unit(SINGLE, ((radius * abs(rest), math.copysign(1 / radius, rest)),))]


def _closing(units: list[_Unit]) -> list[float] | None:
    """The straight before each unit [m]: the shortest in sum that bring the lap back to its start."""
    heading, end, ways = 0.0, 0j, []
    for unit in units:
        ways.append(np.exp(1j * heading))
        for length, k in unit.pieces:
            turn = length * k
            chord = length if k == 0 else (np.exp(1j * turn) - 1) / (1j * k)
            end += np.exp(1j * heading) * chord
            heading += turn
    rows = np.array([[w.real for w in ways], [w.imag for w in ways]])
    found = linprog(
        np.ones(len(units)), A_eq=rows, b_eq=[-end.real, -end.imag], bounds=(LEAST_STRAIGHT_M, MOST_STRAIGHT_M)
    )
    return [float(way) for way in found.x] if found.success and found.x is not None else None


def _checked(units: list[_Unit], straights: list[float]) -> Compound | None:
    lengths: list[float] = []
    curvatures: list[float] = []
    spans: list[list[tuple[float, float]]] = []
    at = 0.0
    for unit, straight in zip(units, straights, strict=True):
        lengths.append(straight)
        curvatures.append(0.0)
        at += straight
        span = []
        for length, k in unit.pieces:
            span.append((at, at + length))
            lengths.append(length)
            curvatures.append(k)
            at += length
        spans.append(span)
    if not 2200.0 < at < 6500.0:
        return None
    edges = np.concatenate([[0.0], np.cumsum(lengths)])
    # the line lies in the middle of the first straight
    shift = 0.5 * straights[0]
    s = np.arange(0.0, at, STEP_M)
    bend: Floats = np.array(curvatures)[
        np.clip(np.searchsorted(edges, np.mod(s + shift, at), side="right") - 1, 0, len(lengths) - 1)
    ]
    heading = np.cumsum(bend) * STEP_M
    z = (np.cumsum(np.exp(1j * heading)) * STEP_M).astype(np.complex128)
    # the step leaves a gap of some decimetres: spread over the lap
    z = z - np.linspace(0, 1, len(z)) * (z[-1] + STEP_M - z[0])
    if abs(np.exp(1j * heading[-1]) - 1) > 0.05 or _crosses(z):
        return None
    track = from_points(np.column_stack([z.real, z.imag]), 15, [])
    v = speed_profile(track, GRIP)
    track.speeds[GRIP] = v
    scale = track.length / at
    corners: list[Placed] = []
    for number, (unit, span) in enumerate(zip(units, spans, strict=True)):
        places = [((a - shift) * scale, (b - shift) * scale) for a, b in span]
        found = _confirmed(track, v, unit, places, number)
        if found is None:
            return None
        corners += found
    return Compound(track, tuple(corners))


def _crosses(z: NDArray[np.complex128]) -> bool:
    """Whether the lap comes near itself."""
    thin = z[:: int(10 / STEP_M)]
    n = len(thin)
    gap = np.abs(thin[:, None] - thin[None, :])
    apart = np.abs(np.arange(n)[:, None] - np.arange(n)[None, :])
    apart = np.minimum(apart, n - apart)
    return bool((gap[apart > 12] < LEAST_APART_M).any())


def _confirmed(
    track: Track, v: Floats, unit: _Unit, places: list[tuple[float, float]], number: int
) -> list[Placed] | None:
    """The unit's corners, if the independent speed profile agrees."""
    step = track.length / len(v)

    def part(a: float, b: float) -> NDArray[np.intp]:
        return np.arange(round(a / step), round(b / step) + 1) % len(v)

    def corner(a: float, b: float, piece: int) -> Placed:
        return Placed(a - 20.0, b + 20.0, "left" if unit.pieces[piece][1] > 0 else "right", number, unit.kind)

    start, stop = places[0][0], places[-1][1]
    if unit.kind == PAIR:
        return [corner(*places[0], 0), corner(*places[2], 2)]
    if unit.kind in (SINGLE, FAST):
        load = np.abs(track.curvature * v**2)[part(start, stop)].max() / GRIP
        return [corner(start, stop, 0)] if load > FAST_LOADED else None
    middle = part(0.5 * sum(places[0]), 0.5 * sum(places[2]))
    link = part(*places[1])
    fastest = int(np.argmax(v[link]))
    one, two = v[part(*places[0])].min(), v[part(*places[2])].min()
    rise = float(v[link].max() / max(one, two) - 1.0)
    if unit.kind == DOUBLE:
        return [corner(start, stop, 0)] if rise < NO_RISE else None
    slowing = np.gradient(v, step) * v + 0.6 * v**2 / 1300 < -0.1 * GRIP
    braked = float((slowing[link[fastest:]] * step / v[link[fastest:]]).sum())
    load = float((np.abs(track.curvature) * v**2)[middle].min() / GRIP)
    if rise < REAL_RISE or braked < REAL_BRAKING_S or load < LOADED:
        return None
    cut = places[1][0] + fastest * step
    return [corner(start, cut - 20.0, 0), corner(cut + 20.0, stop, 2)]
