"""Inputs of a run besides its frames: reference, corners, rules, phrase durations, the driver's progress."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from coach.core.cue.memory import DriverProgress
from coach.core.cue.rules import RuleSet, reworded
from coach.core.diagnose.tolerance import ToleranceModel
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.errors import SessionError
from coach.profile.language_file import Catalogue, load_language
from coach.profile.rule_files import load_rules
from coach.profile.store import board_warnings, load_plan
from coach.session.header import PROFILE_FILE, RULES_FILE, WORDS_FILE
from coach.session.reader import SessionReader

MEMORY_FILE = "memory.json"
DEFAULT_RULES = "improving"


class Known(msgspec.Struct):
    """State carried from session to session for one driver on one circuit."""

    memory: DriverProgress = msgspec.field(default_factory=DriverProgress)
    scatter: dict[str, list[float]] = {}
    wordings: dict[str, str] = {}
    """Rule -> the wording that replaces one that never worked for this driver."""


@dataclass(frozen=True, eq=False)
class Setup:
    """All arguments of a Pipeline; ``source`` names the profile's origin in messages."""

    circuit: str
    reference: Reference
    corners: tuple[Corner, ...]
    rules: RuleSet
    pronounce: Mapping[str, str] = field(default_factory=dict)
    durations: Mapping[str, float] = field(default_factory=dict)
    known: Known = field(default_factory=Known)
    source: str = ""
    notes: tuple[str, ...] = ()

    def pipeline(self) -> Pipeline:
        """Return a new pipeline; its learning does not change ``known``."""
        memory = msgspec.convert(msgspec.to_builtins(self.known.memory), DriverProgress)
        return Pipeline(
            self.reference,
            self.corners,
            reworded(self.rules, self.known.wordings),
            self.durations,
            memory,
            bands_of(self.known, self.corners),
        )


def bands_of(known: Known, corners: tuple[Corner, ...]) -> ToleranceModel:
    """Return the stored scatter of the driver, by corner name."""
    tolerance = ToleranceModel()
    index = {corner.name: i for i, corner in enumerate(corners)}
    for key, values in known.scatter.items():
        measure, _, name = key.partition("@")
        if name in index:
            for value in values:
                tolerance.learn(index[name], {measure: value})
    return tolerance


def known_after(pipeline: Pipeline) -> Known:
    """Return the state to store after a run."""
    names = [corner.name for corner in pipeline.corners]
    scatter = {
        f"{measure}@{names[corner]}": list(values) for (corner, measure), values in pipeline.tolerance.seen.items()
    }
    return Known(pipeline.cue_engine.schedule.state(), scatter)


def read_known(path: Path) -> Known:
    """Return the state stored at ``path``, empty if there is no file. Raise SessionError if it is damaged."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=Known)
    except FileNotFoundError:
        return Known()
    except (OSError, msgspec.MsgspecError) as error:
        raise SessionError(str(path), f"not a driver's progress file: {error}; move it away to start over") from None


def later_by(rules: RuleSet, latency_s: float) -> RuleSet:
    """Return the rules with longer margins, for a feed whose frames arrive ``latency_s`` [s] late."""
    if not latency_s > 0.0:
        return rules
    return msgspec.structs.replace(
        rules,
        margin_new_s=rules.margin_new_s + latency_s,
        margin_rehearsed_s=rules.margin_rehearsed_s + latency_s,
    )


def session_language(reader: SessionReader) -> Catalogue:
    """Return the language of a session's cues; raise RulesError for a damaged copy of its file."""
    kept = reader.file(WORDS_FILE)
    return load_language("en") if kept is None else load_language(kept, kept=True)


def session_setup(
    reader: SessionReader,
    profile: Path | str | None,
    rules: Path | str | None,
    language: Path | str | None = None,
    units: str | None = None,
) -> Setup:
    """Return the setup of a recorded session, or one with another ``profile``, ``rules``, ``language`` or ``units``
    where given.

    Survey a session without a profile (an imported one) first. Raise DataError or CoachError on failure.
    """
    notes: tuple[str, ...] = ()
    kept = reader.file(PROFILE_FILE)
    rules_kept = reader.file(RULES_FILE)
    chosen = load_rules(
        rules if rules is not None else rules_kept if rules_kept is not None else DEFAULT_RULES,
        session_language(reader) if language is None else language,
        reader.header.units if units is None else units,
    )
    chosen = later_by(chosen, reader.header.latency_s)
    known = read_known(reader.folder / MEMORY_FILE) if reader.path.is_dir() else Known()
    durations = reader.header.voice_durations
    if profile is None and kept is None:
        from coach.survey.survey import survey

        header = reader.header
        found = survey(reader.columns(), circuit=header.circuit or header.session, inferred=header.inferred)
        notes = ("no profile given: reference and corners are surveyed from this session's own laps", *found.notes)
        return Setup(
            found.reference.circuit, found.reference, found.corners, chosen, {}, durations, known, "surveyed", notes
        )
    plan = load_plan(profile if profile is not None else kept if kept is not None else "")
    notes = board_warnings(plan.corners, plan.reference.length_m, plan.reference.closed)
    return Setup(
        plan.circuit, plan.reference, plan.corners, chosen, plan.pronounce, durations, known, str(plan.path), notes
    )
