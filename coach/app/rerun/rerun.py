"""Reruns a recorded session through the core as fast as possible, with the code of the live run."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import msgspec
import numpy as np

from coach.app.rerun.plan_changes import Change, cut_at
from coach.app.setup import Setup
from coach.app.sources import Plane
from coach.core.columns import Columns, Floats
from coach.core.measure.passes import LossPiece, PassStore
from coach.core.numeric.filled import session_note
from coach.core.pipeline import Events, Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Pass
from coach.session.header import Header

Origin = tuple[float, float]
"""Latitude and longitude of a plane's origin [degrees]."""


def on_plane_of(reference: Reference, header: Header, batches: Iterable[Columns]) -> Iterator[Columns]:
    """Yield the ``batches`` with x_m and y_m in the plane of ``reference``; unchanged if an origin is unknown."""
    here = (header.origin_lat_deg, header.origin_lon_deg)
    there = (reference.origin_lat_deg, reference.origin_lon_deg)
    if not all(map(math.isfinite, (*here, *there))) or here == there:
        yield from batches
        return
    for batch in batches:
        moved = Columns(batch.data.copy())
        moved["x_m"][:], moved["y_m"][:] = moved_to(there, here, batch["x_m"], batch["y_m"])
        yield moved


def moved_to(there: Origin, here: Origin, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Transform positions from the plane around ``here`` (degrees) to the one around ``there``; unchanged without both
    origins.
    """
    if not all(map(math.isfinite, (*here, *there))) or here == there:
        return x_m, y_m
    dx, dy = Plane(*there).to_xy(*here)
    turn = math.radians((here[1] - there[1] + 180.0) % 360.0 - 180.0) * math.sin(math.radians(here[0]))
    cos, sin = math.cos(turn), math.sin(turn)
    return cos * x_m - sin * y_m + dx, sin * x_m + cos * y_m + dy


@dataclass
class Rerun:
    """Result of a session: ``events`` in order of time, ``pieces`` the losses by part."""

    events: Events
    pieces: list[LossPiece]
    pipeline: Pipeline
    frames: int
    settled: list[Pass] | None = None
    """Cached result of ``settle_findings``."""
    places: list[Floats] = field(default_factory=list)
    """Time [s] and position [m] of all frames, pieces of shape (3, n)."""

    @cached_property
    def sampled(self) -> str:
        """Note about interpolated positions; "" if there are none."""
        return session_note(*np.hstack(self.places)) if self.places else ""


def rerun(
    batches: Iterable[Columns],
    setup: Setup,
    progress: Callable[[int], object] | None = None,
    changes: Sequence[Change] = (),
    store: PassStore | None = None,
) -> Rerun:
    """Push all ``batches``, with the ``changes`` where they were made; ``progress`` gets the frames done.

    ``store`` keeps the passes for the next run of the same frames.
    """
    pipeline = setup.pipeline()
    pipeline.track_model.builder.store = store
    pipeline.kept = []
    events, frames = Events(), 0
    pieces: list[LossPiece] = []
    waiting = list(changes)
    places: list[Floats] = []
    for before, batch in cut_at(batches, [c.after_frames for c in changes]):
        while waiting and waiting[0].after_frames <= before:
            events.add(waiting.pop(0).apply(pipeline))
        events.add(pipeline.push_columns(batch))
        pieces.extend(pipeline.pieces())
        frames += len(batch)
        places.append(np.array([batch["t_s"], batch["x_m"], batch["y_m"]]))
        if progress is not None:
            progress(len(batch))
    for change in waiting:
        events.add(change.apply(pipeline))
    events.add(pipeline.finish())
    pieces.extend(pipeline.pieces())
    return Rerun(events, pieces, pipeline, frames, places=places)


def settle_findings(result: Rerun) -> list[Pass]:
    """Return the passes with findings judged by the scatter of the whole session, unknown to the live run."""
    if result.settled is not None:
        return result.settled
    judged = result.pipeline.judged
    settled = []
    for passed, one in zip(result.events.passes, judged, strict=True):
        findings = one.findings(result.pipeline.tolerance)
        settled.append(msgspec.structs.replace(passed, findings=findings))
    result.settled = settled
    return settled
