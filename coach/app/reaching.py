"""The reachable lap of a survey, written beside the driven one on request."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, Literal

from coach.core.track.envelope import Shown
from coach.core.track.reference import Reference
from coach.outputs.console import lap_time
from coach.session.reader import SessionReader
from coach.survey.errors import SurveyError
from coach.survey.survey import Survey

REACHABLE_NAME: Final = "reachable.arrow"
REAL_CAR_SHARE: Final = 0.97
"""In a real car, advice asks for at most this share of the shown limits."""
Target = Literal["best", "reachable"]


def with_reach(found: Survey, reader: SessionReader, target: Target) -> tuple[Survey, Reference | None]:
    """Return the survey with the car's envelope, and the reachable lap if that is the ``target``.

    Raise SurveyError naming what it lacks.
    """
    from coach.survey.envelope.reachable import reach_of, reachable_reference  # scipy.optimize loads slowly

    share = REAL_CAR_SHARE if reader.header.real_car else 1.0
    reach = reach_of(found, share)
    if reach is None:
        if target == "reachable":
            raise SurveyError("no reachable lap: found lap distances only; needed positions, for the line's curvature")
        return found, None
    fitted = reach.fitted
    shown = Shown(envelope=fitted.envelope, draws=fitted.draws, laps=fitted.laps, share=share)
    made = replace(found, reference=replace(found.reference, shown=shown))
    if target == "best":
        return made, None
    if reach.speed_mps is None:
        raise SurveyError(f"no reachable lap, the limits of the car were not shown: {'; '.join(fitted.unknown)}")
    reachable = reachable_reference(found.reference, reach, share)
    gain = found.reference.lap_time_s - reachable.lap_time_s
    note = (
        f"reachable lap {lap_time(reachable.lap_time_s)}, {gain:.2f} s under lap {found.reference_lap}: its line, with "
        f"what {fitted.laps} laps showed of the car"
    )
    if share < 1.0:
        note += f"; a real car: no more than {share:.0%} of it"
    return replace(made, notes=(*made.notes, note)), reachable
