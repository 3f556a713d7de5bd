"""The editor's desk: a profile in editing, and the session that previews its cues."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from coach.app.edit.profile_edits import ProfileEdits
from coach.app.replay.timeline import TimelineRow, marked
from coach.app.rerun.rerun import Rerun, on_plane_of, rerun
from coach.app.setup import Setup, session_language, session_setup
from coach.core.measure.passes import PassStore
from coach.core.values import Decision, Mark
from coach.profile.rule_files import load_rules
from coach.session.reader import SessionReader


class ProfileDesk(ProfileEdits):
    """The edits of a profile, with or without a session that previews its cues."""

    def __init__(self, profile: str | Path, session: Path | None = None, rules: str | None = None) -> None:
        super().__init__(profile)
        self.setup: Setup | None = None
        self.session = session
        self.took_s = 0.0
        self.before: tuple[Decision, ...] = ()
        self.result: Rerun | None = None
        self.marks: tuple[Mark, ...] = ()
        if session is not None:
            self._open_session(session, rules)

    def _open_session(self, session: Path, rules: str | None) -> None:
        reader = SessionReader(session)
        self._language = session_language(reader)
        setup = session_setup(reader, self.file.path, rules)
        self.setup = replace(setup, reference=self.reference)
        self.marks = tuple(reader.marks())
        self._batches = list(on_plane_of(self.reference, reader.header, reader.batches(1 << 14)))
        self._store = PassStore()
        self.rerun()
        self.keep_as_before()

    def use_rules(self, rules: str | Path) -> None:
        """Try other cue rules; raise RulesError if invalid."""
        if self.setup is not None:
            self.setup = replace(self.setup, rules=load_rules(rules, self._language, self.setup.rules.units))

    def rerun(self) -> None:
        """Rerun the session with the current corners and rules; ``took_s`` holds the duration."""
        if self.setup is None:
            return
        began = time.perf_counter()
        self.setup = replace(
            self.setup,
            corners=self.corners,
            circuit=self.file.model.circuit,
            pronounce=dict(self.file.model.pronounce),
            source=str(self.path),
        )
        self._store.begin_run()
        self.result = rerun(self._batches, self.setup, store=self._store)
        self.took_s = time.perf_counter() - began

    def keep_as_before(self) -> None:
        """Mark changes against the current cues from now on."""
        self.before = tuple(self.result.events.decisions) if self.result is not None else ()

    def rows(self) -> list[TimelineRow]:
        """Return the cues of the session under the current profile, marked against before."""
        return marked(self.before, self.result.events.decisions) if self.result is not None else []
