from __future__ import annotations

import gc

from coach.app.engine import Engine
from coach.core.pipeline import Pipeline
from coach.core.values import View
from coach.outputs.base import Capture
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from feeds.errors import FeedEnded
from feeds.frame import Frame


class Few:
    """Ends after three frames."""

    def __init__(self) -> None:
        self.left = [Frame(i / 60, x_m=0.0, y_m=0.0, speed_mps=0.0) for i in range(3)]

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        if not self.left:
            raise FeedEnded("few")
        return [self.left.pop(0)]


class Looks(Capture):
    """Notes whether what was made before the run is left alone by the collector."""

    frozen = 0

    def view(self, view: View) -> None:
        self.frozen = gc.get_freeze_count()
        super().view(view)


def test_what_was_made_before_a_run_is_not_gone_through_in_it() -> None:
    """The collector leaves the heap of the start alone while frames come, and has it back afterwards."""
    plan = load_plan("hollow_ridge")
    pipeline, looks = Pipeline(plan.reference, plan.corners, load_rules("improving")), Looks()
    tally = Engine(Few(), pipeline, looks, None, FeedEnded).run(lambda: False)
    assert 3 == tally.frames
    assert looks.frozen > 10_000
    assert 0 == gc.get_freeze_count()
