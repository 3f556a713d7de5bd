"""Reruns a session while its profile is edited: measures only what an edit changes.

Measuring passes takes most of a rerun and depends only on the frames, the reference and the places of the zone. So
passes are cached by these, and after an edit of one corner the others' passes come from the cache.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import msgspec

from coach.app.rerun.rerun import Rerun
from coach.app.setup import Setup
from coach.core.columns import Columns
from coach.core.locate.frame_buffer import FrameBuffer
from coach.core.measure.passes import PassBuilder, PassRecord
from coach.core.pipeline import Events
from coach.core.track.zones import Zone

_Key = tuple[Any, ...]
_Open = tuple[float, float] | None


@dataclass
class QuickRerun:
    """The frames of one session and a cache of measured passes; one reference, any corners and rules."""

    batches: Sequence[Columns]
    _built: dict[_Key, tuple[PassRecord | None, _Open]] = field(default_factory=dict)
    reused: int = 0
    """Passes of the last run taken from the cache."""

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
        # undo may need passes the last run did not use: keep a few runs' worth, not all
        self._built = {**self._built, **used} if len(self._built) < 8 * len(used) else used
        return Rerun(events, list(pipeline.pieces()), pipeline, frames)

    def _remember(self, builder: PassBuilder, used: dict[_Key, tuple[PassRecord | None, _Open]]) -> None:
        measure = builder.build

        def build(history: FrameBuffer, corner: int, lap: int, stop_m: float = float("inf")) -> PassRecord | None:
            zone = builder.zones[corner]
            # pieces are keyed by corner number, so the number is part of the key
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

        # the builder has no hook, and needs none elsewhere
        setattr(builder, "build", build)  # noqa: B010


def _places(zone: Zone) -> _Key:
    """Return the places of a zone that a measured pass depends on; NaN as None, as NaN never equals itself."""
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
