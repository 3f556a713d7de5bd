"""The reachable lap of a survey, written beside the driven one on request."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from coach.app.circuits.circuit_match import wrong_circuit
from coach.app.rerun.rerun import on_plane_of
from coach.core.columns import Columns
from coach.core.track.reference import Reference
from coach.outputs.console import lap_time
from coach.session.reader import SessionReader
from coach.survey.errors import SurveyError
from coach.survey.survey import Survey, survey

if TYPE_CHECKING:
    from coach.survey.envelope.samples import Samples

REACHABLE_NAME: Final = "reachable.arrow"
REAL_CAR_SHARE: Final = 0.97
"""In a real car, advice asks for at most this share of the shown limits."""
Target = Literal["best", "reachable"]


def with_reach(
    found: Survey, reader: SessionReader, target: Target, also: Sequence[Path] = (), at_limit: bool = False
) -> tuple[Survey, Reference | None]:  # fmt: skip
    """Return the survey with the car's envelope, and the reachable lap if that is the ``target``.

    ``also`` are more sessions with the same car: their laps show more of it. ``at_limit``: the driver
    says that he drove at the car's limit. Raise SurveyError naming what is missing.
    """
    from coach.survey.envelope.reachable import reach_of, reachable_reference, shown_of  # scipy.optimize loads slowly

    readers = [SessionReader(path) for path in also]
    share = REAL_CAR_SHARE if any(one.header.real_car for one in (reader, *readers)) else 1.0
    reach = reach_of(found, share, _others(found, reader, readers), at_limit)
    if reach is None:
        if target == "reachable":
            raise SurveyError(
                "no reachable lap: expected positions, for the line's curvature; found lap distances only"
            )
        return found, None
    fitted = reach.fitted
    made = replace(found, reference=replace(found.reference, shown=shown_of(fitted, share)))
    if target == "best":
        return made, None
    if reach.speed_mps is None:
        raise SurveyError(f"no reachable lap: the car's limits were not reached: {'; '.join(fitted.unknown)}")
    reachable = reachable_reference(found.reference, reach, share)
    gain = found.reference.lap_time_s - reachable.lap_time_s
    line = "its line" if reach.line is None else "the best of your lines in each corner"
    note = (
        f"reachable lap {lap_time(reachable.lap_time_s)}, {gain:.2f} s under lap {found.reference_lap}: {line}, with "
        f"what {fitted.laps} laps showed of the car"
    )
    if not fitted.proven:
        note += "; at least that: the same margin everywhere looks like less grip (--at-limit if you kept none)"
    if share < 1.0:
        note += f"; a real car: no more than {share:.0%} of it"
    return replace(made, notes=(*made.notes, note)), reachable


def _others(found: Survey, reader: SessionReader, readers: Sequence[SessionReader]) -> list[Samples]:
    """Return the samples of more sessions; raise SurveyError that names the one of another car or circuit."""
    from coach.survey.envelope.pooled import other_power, samples_on

    out: list[Samples] = []
    first = samples_on(found.reference, found.corners, found) if readers else None
    if first is None:
        return out
    for other in readers:
        cars = reader.header.car, other.header.car
        if all(cars) and cars[0] != cars[1]:
            raise SurveyError(
                f"mixed cars: expected {cars[0]!r} as in {reader.folder}, found {cars[1]!r} in {other.folder}"
            )
        batches = list(on_plane_of(found.reference, other.header, other.batches()))
        if wrong := wrong_circuit(found.reference, batches):
            raise SurveyError(f"{other.folder}: {wrong}")
        try:
            more = survey(Columns.join(batches), previous=found.reference, inferred=other.header.inferred)
        except SurveyError as error:
            raise SurveyError(f"{other.folder}: {error}") from error
        samples = samples_on(found.reference, found.corners, more)
        if samples is None:
            raise SurveyError(f"{other.folder}: expected positions, found lap distances only")
        if powers := other_power(first, samples):
            raise SurveyError(
                f"mixed cars: expected the {powers[0]:.0f} W/kg at full throttle of {reader.folder}, found "
                f"{powers[1]:.0f} in {other.folder}"
            )
        out.append(samples)
    return out
