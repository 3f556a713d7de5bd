"""External inputs of a recorded run (edits, buttons, tones): a replay applies them at the same frames."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Final

import msgspec

from coach.app.setup import later_by, session_language
from coach.core.columns import Columns
from coach.core.cue.asking import Request
from coach.core.cue.rules import RuleSet
from coach.core.cue.tones import ToneKind, ToneOptions
from coach.core.pipeline import Events, Pipeline
from coach.core.values import Corner
from coach.errors import SessionError
from coach.profile.rule_files import load_rules
from coach.profile.store import load_plan
from coach.session.reader import SessionReader

PLAN_EVENT: Final = "plan"
ASKED_EVENT: Final = "asked"
TONES_EVENT: Final = "tones"


@dataclass(frozen=True, eq=False)
class PlanChange:
    """A plan that takes effect at the first straight after ``after_frames`` frames."""

    after_frames: int
    corners: tuple[Corner, ...]
    rules: RuleSet
    durations: Mapping[str, float]

    def apply(self, pipeline: Pipeline) -> Events:
        """Pass it to ``pipeline``."""
        pipeline.swap(self.corners, self.rules, durations=self.durations)
        return Events()


class DriverRequest(msgspec.Struct, frozen=True):
    """A driver request after the first ``after_frames`` frames."""

    request: Request
    after_frames: int

    def apply(self, pipeline: Pipeline) -> Events:
        """Pass the request to ``pipeline``."""
        return pipeline.ask(self.request)


class TonesChosen(msgspec.Struct, frozen=True):
    """The choice of tones from then on."""

    tones: ToneOptions
    after_frames: int

    def apply(self, pipeline: Pipeline) -> Events:
        """Pass it to ``pipeline``."""
        pipeline.sound(self.tones)
        return Events()


Change = PlanChange | DriverRequest | TonesChosen


def changes_of(reader: SessionReader, edits: bool = True) -> tuple[Change, ...]:
    """Return external inputs in order; without plan ``edits`` for a run with another profile or other rules.

    Raise CoachError for an incomplete change.
    """
    others: list[Change] = []
    for event in reader.events():
        try:
            if event.get("kind") == ASKED_EVENT:
                others.append(msgspec.convert(event, DriverRequest))
            elif event.get("kind") == TONES_EVENT:
                tones = ToneOptions(msgspec.convert(event.get("kinds", "").split(), tuple[ToneKind, ...]))
                tones = msgspec.structs.replace(
                    tones, corner=str(event.get("corner", "")), late_s=float(event.get("late_s", 0.0))
                )
                others.append(TonesChosen(tones, msgspec.convert(event.get("after_frames"), int)))
        except (msgspec.ValidationError, AttributeError, TypeError, ValueError) as error:
            raise SessionError(str(reader.folder), f"found an incomplete request: {event} ({error})") from error
    # at the same frame a request precedes an edit
    changes = [*others, *(plan_changes(reader) if edits else ())]
    return tuple(sorted(changes, key=lambda change: change.after_frames))


def plan_changes(reader: SessionReader) -> tuple[PlanChange, ...]:
    """Return the edits of the plan in order; raise CoachError if an edit's files are missing or invalid."""
    out = []
    language = session_language(reader)
    for event in reader.events():
        if event.get("kind") != PLAN_EVENT:
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
    """Yield the batches, cut at these frame numbers; each part with the number of frames before it."""
    done = 0
    for batch in batches:
        inside = [f - done for f in frames if 0 < f - done < len(batch)]
        edges = [0, *sorted(set(inside)), len(batch)]
        for a, b in pairwise(edges):
            yield done + a, batch.part(a, b)
        done += len(batch)


def plan_files(folder: Path, number: int) -> tuple[Path, Path, Path]:
    """Return the files of profile, rules and phrase durations of plan ``number`` in a session."""
    return folder / f"profile.{number}.yaml", folder / f"rules.{number}.yaml", folder / f"phrases.{number}.json"
