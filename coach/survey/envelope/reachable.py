"""The reachable lap: the driver's own line at the speed their envelope allows, as a normal reference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from coach.core.columns import Floats
from coach.core.measure.grip_shares import NOISY_M
from coach.core.measure.grip_use import lateral_limit, tyre_accel
from coach.core.track.envelope import SLOWEST_MPS, Envelope, Shown
from coach.core.track.reference import Reference
from coach.core.track.road import Road
from coach.core.track.speed_profile import speed_profile, travel_time
from coach.core.track.zones import zones
from coach.survey.envelope.fit import Fitted, fit_envelope
from coach.survey.envelope.lines import Line, best_line
from coach.survey.envelope.pooled import pooled
from coach.survey.envelope.samples import Samples, samples_of
from coach.survey.survey import Survey

IDLE: Final = 0.03
PRESSED: Final = 0.3
FULL: Final = 0.97
FEWEST_NODES: Final = 20
ROLLING_MPS2: Final = 0.3
"""Largest deceleration beyond coasting without braking (common practice, no source)."""
KINK: Final = 1.1
"""Lateral use beyond the limit that means a position error."""


@dataclass(frozen=True, eq=False)
class Reach:
    """The envelope of a survey and, if complete, the fastest lap of the best own line within it.

    ``speed_mps`` (n,) at the reference's nodes and ``time_s`` (n + 1,) or (n,) from node 0, None if incomplete.
    """

    fitted: Fitted
    samples: Samples
    road: Road
    speed_mps: Floats | None
    time_s: Floats | None
    line: Line | None = None
    """The best of the driver's own lines; None for the reference lap's."""

    @property
    def lap_s(self) -> float:
        """The reachable lap's time [s], inf if incomplete."""
        return np.inf if self.time_s is None else float(self.time_s[-1])


def reach_of(
    survey: Survey, share: float = 1.0, others: Sequence[Samples] = (), at_limit: bool = False
) -> Reach | None:  # fmt: skip
    """Return envelope and reachable speed from a survey, with ``share`` of the shown limits; None without positions.

    ``others`` are samples of more sessions with the same car, on this survey's reference. ``at_limit``:
    the driver says that he drove at the limit.
    """
    if survey.lines is None:
        return None
    samples = pooled([samples_of(survey.trace, survey.lines, survey.reference, survey.corners), *others])
    fitted = fit_envelope(samples, at_limit=at_limit)
    road = _line_of(survey, samples)
    if not fitted.envelope.whole:
        return Reach(fitted, samples, road, None, None)
    envelope = fitted.envelope.times(share)
    road = _drivable(road, survey.reference.speed_mps, fitted.envelope)
    speed = speed_profile(road, envelope)
    reach = Reach(fitted, samples, road, speed, travel_time(road, speed))
    line = _better_line(survey, samples, envelope)
    if line is None:
        return reach
    speed = speed_profile(line.road, envelope)
    better = Reach(fitted, samples, line.road, speed, travel_time(line.road, speed), line)
    return better if better.lap_s < reach.lap_s else reach


def _better_line(survey: Survey, samples: Samples, envelope: Envelope) -> Line | None:
    """Return the best of the driver's own lines; None if it is the reference lap's, that lap is not among them, or
    positions are so noisy that the luckiest line would win.
    """
    ref = survey.reference
    if survey.trace.across_m >= NOISY_M:
        return None
    numbers = [survey.laps[row].number if row >= 0 else None for row in samples.rows.tolist()]
    if survey.reference_lap not in numbers:
        return None
    own = numbers.index(survey.reference_lap)
    corners = zones(survey.corners, ref.length_m, ref.closed)
    return best_line(samples, ref, corners, own, envelope)


def _line_of(survey: Survey, samples: Samples) -> Road:
    """Return the reference lap's own line, its curvature with as little noise as the envelope's samples."""
    number = survey.reference_lap
    for row, k in zip(samples.rows.tolist(), samples.curvature, strict=True):
        if row >= 0 and survey.laps[row].number == number:
            return samples.road.with_line(samples.road.step_m, k)
    return samples.road


def _drivable(road: Road, driven_mps: Floats, envelope: Envelope) -> Road:
    """Return the line without kinks driven far above the limit, which are position errors."""
    limit = lateral_limit(road, envelope, driven_mps, road.curvature_pm)
    most = KINK * limit / np.maximum(driven_mps, SLOWEST_MPS) ** 2
    return road.with_line(road.step_m, np.clip(road.curvature_pm, -most, most))


def reachable_reference(driven: Reference, reach: Reach, share: float = 1.0) -> Reference:
    """Return the reachable speed on its line, with matching pedals; gears stay as driven.

    On another line than the driven one, a node lies beside the driven line's node: places along the reference stay the
    same. Raise ValueError if ``reach`` has no speed.
    """
    if reach.speed_mps is None or reach.time_s is None:
        raise ValueError("; ".join(reach.fitted.unknown))
    fitted = reach.fitted
    throttle, brake = _pedals(driven, reach.road, reach.speed_mps, fitted.envelope)
    return replace(
        driven if reach.line is None else _on_line(driven, reach.line),
        lap_time_s=float(reach.time_s[-1]),
        t_s=reach.time_s[: len(driven)].copy(),
        speed_mps=reach.speed_mps.copy(),
        throttle=throttle,
        brake=brake,
        shown=shown_of(fitted, share, reachable=True),
    )


def shown_of(fitted: Fitted, share: float, *, reachable: bool = False) -> Shown:
    """Return the fitted envelope as it travels with a reference."""
    return Shown(
        envelope=fitted.envelope, draws=fitted.draws, laps=fitted.laps, reachable=reachable, share=share,
        at_least=not fitted.proven,
    )  # fmt: skip


def _on_line(driven: Reference, line: Line) -> Reference:
    """Return the driven reference with the nodes of another line, as seen from the driven one."""
    d, heading = line.offset_m, driven.heading_rad
    away = np.gradient(d, driven.step_m)
    return replace(
        driven,
        x_m=driven.x_m - d * np.sin(heading),
        y_m=driven.y_m + d * np.cos(heading),
        heading_rad=heading + np.arctan2(away, 1.0 - driven.curvature_pm * d),
        curvature_pm=line.road.curvature_pm.copy(),
        left_m=driven.left_m - d,
        right_m=driven.right_m + d,
    )


def _pedals(driven: Reference, road: Road, speed: Floats, envelope: Envelope) -> tuple[Floats, Floats]:
    """Return throttle and brake (n,) of the reachable lap, each on the driven lap's scale."""
    power = envelope.power_wpkg or 0.0
    before = tyre_accel(road, envelope, driven.speed_mps, _accel(driven.speed_mps, road))
    rolling = before[(driven.throttle < IDLE) & (driven.brake < IDLE)]
    idle = max(-float(np.median(rolling)), 0.0) if len(rolling) >= FEWEST_NODES else 0.0
    hard = driven.brake > PRESSED
    scale = float(np.median(-before[hard] / driven.brake[hard])) if int(hard.sum()) >= FEWEST_NODES else 0.0
    if scale <= 0.0:
        scale = envelope.brake.base_mps2 if envelope.brake is not None else 10.0
    now = tyre_accel(road, envelope, speed, _accel(speed, road))
    throttle = np.clip((now + idle) / (power / speed + idle), 0.0, 1.0)
    brake = np.clip(-now / scale, 0.0, 1.0)
    throttle = np.where(throttle > FULL, 1.0, np.where(throttle < IDLE, 0.0, throttle))
    return np.where(now < -idle, 0.0, throttle), np.where(now < -idle - ROLLING_MPS2, brake, 0.0)


def _accel(speed: Floats, road: Road) -> Floats:
    """Return acceleration along the road at each node [m/s2], over the node before and the node after."""
    square = speed * speed / 2.0
    if not road.closed:
        return np.asarray(np.gradient(square, np.cumsum(road.step_m)))
    way = road.step_m + np.roll(road.step_m, 1)
    return np.asarray((np.roll(square, -1) - np.roll(square, 1)) / way)
