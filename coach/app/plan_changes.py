"""The edits that were made during a recorded run, so that its replay makes them at the same frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import msgspec

from coach.app.live_edit import EVENT, plan_files
from coach.app.setup import later_by, session_language
from coach.core.columns import Columns
from coach.core.pipeline import Pipeline
from coach.core.rules import RuleSet
from coach.core.values import Corner
from coach.errors import SessionError
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from coach.session.reader import SessionReader


@dataclass(frozen=True, eq=False)
class PlanChange:
    """Another plan from the straight on that follows the first ``after_frames`` frames."""

    after_frames: int
    corners: tuple[Corner, ...]
    rules: RuleSet
    durations: Mapping[str, float]

    def apply(self, pipeline: Pipeline) -> None:
        """Hand it to ``pipeline``."""
        pipeline.swap(self.corners, self.rules, durations=self.durations)


def plan_changes(reader: SessionReader) -> tuple[PlanChange, ...]:
    """The changes of a session in order; raises CoachError for one whose files are missing or wrong."""
    out = []
    language = session_language(reader)
    for event in reader.events():
        if event.get("kind") != EVENT:
            continue
        number, after = event.get("number"), event.get("after_frames")
        if not isinstance(number, int) or not isinstance(after, int) or after < 0:
            raise SessionError(str(reader.folder), f"found a change of plan without its number and frame: {event}")
        profile, rules, lengths = plan_files(reader.folder, number)
        try:
            durations = msgspec.json.decode(lengths.read_bytes(), type=dict[str, float])
        except (OSError, msgspec.MsgspecError) as error:
            raise SessionError(str(lengths), f"not the lengths of phrases: {error}") from error
        chosen = later_by(load_rules(rules, language, reader.header.units), reader.header.latency_s)
        out.append(PlanChange(after, load_plan(profile).corners, chosen, durations))
    return tuple(out)


def cut_at(batches: Iterable[Columns], frames: Sequence[int]) -> Iterator[tuple[int, Columns]]:
    """The batches, cut at these numbers of frames; each part with the number of frames before it."""
    done = 0
    for batch in batches:
        inside = [f - done for f in frames if 0 < f - done < len(batch)]
        edges = [0, *sorted(set(inside)), len(batch)]
        for a, b in pairwise(edges):
            yield done + a, batch.part(a, b)
        done += len(batch)
