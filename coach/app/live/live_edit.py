"""Edits of profile and rules while driving: validates a changed file, prepares its phrases, then hands it over.

An invalid file is refused with its error and the current plan stays. The new plan takes effect at the next straight and
is stored with the session and the number of frames before it, so that a replay does the same.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol

import msgspec

from coach.app.rerun.plan_changes import PLAN_EVENT, plan_files
from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.core.values import Corner
from coach.errors import CoachError
from coach.outputs.base import Notice
from coach.profile.language_file import in_words, load_language
from coach.profile.rule_files import load_rules, phrases
from coach.profile.store import load_plan, own_path, read_profile

POLL_S: Final = 1.0
Stamp = tuple[tuple[int, int], ...]
Lengths = Callable[[list[str], Mapping[str, str]], dict[str, float]]
"""Prepares phrases (texts, pronunciations) and returns their durations [s]; called on the watching thread."""


class EventLog(Protocol):
    """The part of a session writer that records events."""

    def event(self, kind: str, t_s: float, **values: str | float | bool | None) -> None:
        """Record an event at session time ``t_s`` [s]."""


@dataclass(frozen=True, eq=False)
class Edit:
    """A valid edited plan: the core's inputs, and their source files."""

    corners: tuple[Corner, ...]
    rules: RuleSet
    durations: Mapping[str, float]
    profile_file: bytes
    rules_file: bytes


class LiveEdits:
    """Watches ``profile`` and ``rules`` on a thread of its own, about every ``poll_s`` seconds.

    ``adapt`` makes the rules fit the feed (longer margins for late frames). With ``folder`` the edited files are stored
    in that session as profile.2.yaml, rules.2.yaml, phrases.2.json, and so on. ``reference`` is the name that the
    profile has for its reference, read from the profile if empty.
    """

    def __init__(
        self,
        profile: Path,
        rules: Path,
        lengths: Lengths,
        notice: Notice,
        folder: Path | None = None,
        adapt: Callable[[RuleSet], RuleSet] = lambda rules: rules,
        poll_s: float = POLL_S,
        language: str = "en",
        units: str = "metric",
        reference: str = "",
    ) -> None:
        self._language, self._units = load_language(language), units
        self._profile, self._rules = profile, rules
        self._lengths, self._notice, self._folder, self._adapt = lengths, notice, folder, adapt
        self._poll_s = poll_s
        self._lock = threading.Lock()
        self._ready: tuple[int, Edit] | None = None
        self._number = 1
        self._reference = self._digest_of(reference or read_profile(profile).model.reference)
        self._seen = self._used = self._contents()
        self._stamp = self._stat()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="live-edits", daemon=True)
        self._thread.start()

    def hand_over(self, pipeline: Pipeline, frames: int, t_s: float, events: EventLog | None) -> bool:
        """Give a waiting edit to ``pipeline``, before its frame number ``frames``; return whether there was one."""
        with self._lock:
            ready, self._ready = self._ready, None
        if ready is None:
            return False
        number, edit = ready
        pipeline.swap(edit.corners, edit.rules, durations=edit.durations)
        if events is not None:
            events.event(PLAN_EVENT, t_s, number=number, after_frames=frames)
        self._notice("profile and rules were edited: taken up at the next straight")
        return True

    def choose_rules(self, rules: Path) -> None:
        """Watch another rule file from now on; it takes effect like an edit."""
        self._rules = rules

    def close(self) -> None:
        """Stop watching."""
        self._ended.set()
        self._thread.join(timeout=5.0)

    def _run(self) -> None:
        while not self._ended.wait(self._poll_s):
            stamp = self._stat()
            if stamp != self._stamp:
                # an editor may still be writing: wait until two reads agree
                self._stamp = stamp
                continue
            self._look()

    def _look(self) -> None:
        contents = self._contents()
        if contents == self._seen or b"" in contents:
            return
        self._seen = contents
        if contents == self._used:
            return  # unchanged from the plan in use: an edit was undone
        try:
            edit = self._read(*contents)
        except CoachError as error:
            self._notice(f"the edit is not used: {error}")
            return
        self._used = contents
        number = self._number + 1
        if not self._keep(number, edit):
            return
        self._number = number
        with self._lock:
            self._ready = (number, edit)

    def _read(self, profile: bytes, rules: bytes) -> Edit:
        plan = load_plan(self._profile)
        if self._digest_of(plan.reference_name) != self._reference:
            raise CoachError(f"{self._profile}: the reference has changed; the next run uses it")
        chosen = load_rules(self._rules, self._language, self._units)
        texts = phrases(chosen, plan.corners, plan.reference.lap_time_s)
        lengths = self._lengths(texts, plan.pronounce)
        return Edit(plan.corners, self._adapt(chosen), lengths, profile, in_words(rules, self._language))

    def _keep(self, number: int, edit: Edit) -> bool:
        if self._folder is None:
            return True
        files = plan_files(self._folder, number)
        try:
            for path, data in zip(files, (edit.profile_file, edit.rules_file), strict=False):
                path.write_bytes(data)
            files[2].write_bytes(msgspec.json.encode(dict(edit.durations)))
        except OSError as error:
            self._notice(f"{files[0]}: the edit cannot be kept with the session and is not used ({error.strerror})")
            return False
        return True

    def _digest_of(self, reference: str) -> str:
        return hashlib.sha256(_bytes(self._profile.parent / reference)).hexdigest()

    def _follow_copy(self) -> None:
        """Watch the copy of a shipped profile from its first edit on."""
        own = own_path(self._profile)
        if own != self._profile and own.is_file():
            self._profile = own

    def _stat(self) -> Stamp:
        self._follow_copy()
        return tuple(_stamp(path) for path in (self._profile, self._rules))

    def _contents(self) -> tuple[bytes, bytes]:
        return _bytes(self._profile), _bytes(self._rules)


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError:
        return b""  # deleted, or being replaced


def _stamp(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_size
