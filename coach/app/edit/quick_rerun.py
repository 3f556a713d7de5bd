"""A session run again and again while its profile is edited: only what an edit touches is measured anew.

Measuring a pass costs most of a rerun and depends on nothing but the frames, the reference and the places of its
zone. So passes are kept by those, and after an edit of one corner all other corners' passes are taken from there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from coach.app.rerun.rerun import Rerun
from coach.app.setup import Setup
from coach.core.columns import Columns
from coach.core.locate.frame_buffer import History
from coach.core.measure.passes import PassBuilder, PassRecord
from coach.core.pipeline import Events
from coach.core.track.zones import Zone

_Key = tuple[Any, ...]
_Open = tuple[float, float] | None


@dataclass
class QuickRerun:
    """The frames of one session, and the passes measured so far; one reference, any corners and rules."""

    batches: Sequence[Columns]
    _built: dict[_Key, tuple[PassRecord | None, _Open]] = field(default_factory=dict)
    reused: int = 0
    """Passes of the last run that were taken from an earlier one."""

    def run(self, setup: Setup) -> Rerun:
        """Return the result of ``rerun`` for the same frames and setup, without the losses piece by piece."""
        pipeline = setup.pipeline()
        pipeline.kept = []
        self.reused = 0
        used: dict[_Key, tuple[PassRecord | None, _Open]] = {}
        self._remember(pipeline.builder, used)
        events = Events()
        frames = 0
        for batch in self.batches:
            events.add(pipeline.push_columns(batch))
            frames += len(batch)
        events.add(pipeline.finish())
        # what the last run did not use may come back by undo: keep a few runs' worth, not all that ever was
        self._built = {**self._built, **used} if len(self._built) < 8 * len(used) else used
        return Rerun(events, list(pipeline.pieces()), pipeline, frames)

    def _remember(self, builder: PassBuilder, used: dict[_Key, tuple[PassRecord | None, _Open]]) -> None:
        measure = builder.build

        def build(history: History, corner: int, lap: int, stop_m: float = float("inf")) -> PassRecord | None:
            zone = builder.zones[corner]
            # pieces are counted by corner number, so the number is part of the key
            key = (corner, len(builder.zones), lap, _places(zone), stop_m, builder._open)
            found = self._built.get(key)
            if found is None:
                driven = measure(history, corner, lap, stop_m)
                used[key] = (driven, builder._open)
                return driven
            self.reused += 1
            used[key] = found
            driven, builder._open = found
            if driven is None:
                return None
            return replace(driven, zone=msgspec.structs.replace(driven.zone, corner=zone.corner))

        # the builder has no hook of its own, and needs none elsewhere
        setattr(builder, "build", build)  # noqa: B010


def _places(zone: Zone) -> _Key:
    """What of a zone a measured pass depends on; NaN as None, for NaN equals nothing."""
    corner = zone.corner
    places = (
        zone.start_m,
        zone.brake_m,
        zone.turn_in_m,
        zone.apex_m,
        zone.exit_m,
        zone.end_m,
        zone.next_start_m,
        zone.quiet_m,
    )
    return (corner.direction, *(None if p != p else p for p in places))
