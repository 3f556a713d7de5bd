"""Reruns a recorded session through the core as fast as possible, with the code of the live run."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import msgspec
import numpy as np

from coach.app.rerun.plan_changes import Change, cut_at
from coach.app.setup import Setup
from coach.core.columns import Columns, Floats
from coach.core.measure.passes import LossPiece, PassStore
from coach.core.numeric.filled import session_note
from coach.core.pipeline import Events, Pipeline
from coach.core.values import Pass


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
        """What a person is told if the positions were not all measured; "" if they were."""
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
