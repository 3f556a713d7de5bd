"""Fits the envelope of the laps: an upper quantile of the samples in physical form, with its uncertainty.

Each limit is fitted where it acted alone (little steering while braking, little pedal in mid-corner), the combined
exponent where two acted. Thresholds: common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from coach.core.columns import Floats
from coach.core.track.envelope import Envelope, GripLimit
from coach.survey.envelope.braking import COARSE, EXPONENTS, fit_braking, growth_with_drag
from coach.survey.envelope.drive import fit_drive, fit_traction
from coach.survey.envelope.known import known_limits, proven
from coach.survey.envelope.quantile import quantile_fit
from coach.survey.envelope.samples import FEWEST_PLACES, Samples

SHARE: Final = 0.9
"""Quantile taken as the limit: shown repeatedly, not once."""
ALONE: Final = 0.3
"""One direction acts alone while the other uses less than this share of its limit."""
FEWEST_LAPS: Final = 3
MOST_SAMPLES: Final = 600
DRAWS: Final = 24
PEAK: Final = 0.97
LEAST: Final = 0.4
"""A corner below this share of a limit is uninformative."""
Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Fitted:
    """The envelope, ``draws`` of it with the laps resampled, and what is ``unknown`` and why, in sentences.

    ``proven``: anti-lock came on, or the driver says that he was at the limit, so the limits are the car's. Without it
    a driver who keeps the same margin everywhere looks like a car with less grip: they are at least what was shown.
    """

    envelope: Envelope
    draws: tuple[Envelope, ...]
    unknown: tuple[str, ...]
    laps: int
    proven: bool = False


def fit_envelope(samples: Samples, draws: int = DRAWS, at_limit: bool = False) -> Fitted:
    """Fit ``samples``; limits not reached are None in the envelope and named in ``unknown``.

    ``at_limit``: the driver says that he drove at the limit.
    """
    laps = len(samples.rows)
    if laps < FEWEST_LAPS:
        return Fitted(
            Envelope(), (), (f"{laps} valid laps, {FEWEST_LAPS} are needed to know what the car can do",), laps
        )
    weights = np.ones(laps)
    whole = _fit(samples, weights)
    sure = at_limit or proven(samples)
    known, unknown = known_limits(samples, whole, _side_use(samples, whole), -_tyre(samples, whole), sure)
    rng = np.random.default_rng(laps)
    drawn = []
    for _ in range(draws if known.whole else 0):
        again = np.bincount(rng.integers(0, laps, laps), minlength=laps).astype(np.float64)
        drawn.append(_fit(samples, again, whole))
    return Fitted(known, tuple(drawn), unknown, laps, sure)


def _fit(samples: Samples, weights: Floats, near: Envelope | None = None) -> Envelope:
    """Return one fit with each lap counted ``weights`` (laps,) times; ``near`` is an initial guess that saves
    iterations.
    """
    power, drag = fit_drive(samples, weights)
    made = near or Envelope(exponent=2.0)
    made = msgspec.structs.replace(made, power_wpkg=power, drag_pm=drag)
    asked, slowing = np.abs(_lateral(samples)), -_tyre(samples, made)
    hardest, tightest = (float(np.quantile(values, 0.98)) for values in (slowing, asked))
    rounds = (COARSE, COARSE, EXPONENTS) if near is None else ((near.exponent,),)
    for exponents in rounds:
        side_use = _side_use(samples, made) if made.left else asked / tightest
        brake_use = slowing / (_limit(made.brake, samples) if made.brake else hardest)
        where = _near_peak(samples, side_use, np.abs(brake_use) < ALONE)
        lateral = _grip(samples, asked, where, weights)
        made = _sides(samples, msgspec.structs.replace(made, left=lateral, right=lateral), brake_use, weights)
        if lateral is None:
            break
        side_use = _side_use(samples, made)
        found = fit_braking(samples, slowing, side_use, growth_with_drag(lateral, drag), drag, weights, exponents)
        if found is not None:
            made = msgspec.structs.replace(made, brake=found[0], exponent=found[1])
    return msgspec.structs.replace(made, traction=fit_traction(samples, made, _side_use(samples, made), weights))


def _grip(samples: Samples, asked: Floats, where: Mask, weights: Floats) -> GripLimit | None:
    """Return ``base * load + aero * v^2`` above SHARE of the use ``asked`` (laps, blocks) ``where`` it counts."""
    if len(np.unique(np.nonzero(where)[1])) < FEWEST_PLACES:
        return None
    at = _thinned(where)
    v, load = samples.speed_mps[at], samples.load[at]
    base, aero = quantile_fit(np.column_stack([load, v * v]), asked[at], SHARE, weights[at[0]]).tolist()
    return GripLimit(base, aero, float(np.quantile(v, 0.98))) if base > 0.0 else None


def _near_peak(samples: Samples, use: Floats, alone: Mask) -> Mask:
    """Return the blocks of each corner's largest use: within PEAK of its own largest, in the median over the laps."""
    usual = np.median(np.where(alone, use, 0.0), axis=0)
    keep = np.zeros(len(usual), dtype=np.bool_)
    for corner in range(int(samples.corner.max(initial=-1)) + 1):
        here = samples.corner == corner
        keep |= here & (usual >= max(PEAK * float(usual[here].max(initial=0.0)), LEAST))
    return np.asarray(alone & keep)


def _thinned(where: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return rows and columns of at most about MOST_SAMPLES of the blocks marked, evenly picked."""
    row, column = np.nonzero(where)
    every = max(1, -(-len(row) // MOST_SAMPLES))
    return row[::every], column[::every]


def _tyre(samples: Samples, envelope: Envelope) -> Floats:
    return np.asarray(samples.accel_mps2 + envelope.drag_pm * samples.speed_mps**2)


def _lateral(samples: Samples) -> Floats:
    return np.asarray(samples.curvature_pm * samples.speed_mps**2)


def _limit(limit: GripLimit, samples: Samples) -> Floats:
    return limit.at(samples.speed_mps, samples.load)


def _side_limit(envelope: Envelope, samples: Samples) -> Floats:
    assert envelope.left is not None
    assert envelope.right is not None
    left, right = _limit(envelope.left, samples), _limit(envelope.right, samples)
    return np.where(samples.curvature_pm > 0.0, left, right)


def _side_use(samples: Samples, envelope: Envelope) -> Floats:
    if envelope.left is None or envelope.right is None:
        return np.zeros_like(samples.speed_mps)
    return np.asarray(np.abs(_lateral(samples)) / _side_limit(envelope, samples))


def _sides(samples: Samples, made: Envelope, brake_use: Floats, weights: Floats) -> Envelope:
    """Return each side separately if it has enough corners: the common limit times that side's share."""
    common = made.left
    if common is None:
        return made
    use = _side_use(samples, made)
    alone = (use > 0.7) & (np.abs(brake_use) < ALONE)
    sides: dict[str, GripLimit] = {}
    for name, here in (("left", samples.curvature_pm > 0.0), ("right", samples.curvature_pm <= 0.0)):
        where = alone & here
        if len(np.unique(samples.corner[np.nonzero(where)[1]])) >= FEWEST_PLACES:
            at = _thinned(where)
            share = float(quantile_fit(np.ones((len(at[0]), 1)), use[at], SHARE, weights[at[0]])[0])
            sides[name] = GripLimit(share * common.base_mps2, share * common.aero_pm, common.fastest_mps)
    return msgspec.structs.replace(made, **sides)
