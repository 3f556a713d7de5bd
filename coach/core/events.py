"""Results of pushed frames."""

from __future__ import annotations

from dataclasses import dataclass, field

from coach.core.values import Decision, LapDone, Mark, Pass, PhaseChange


@dataclass
class Events:
    """In order of time within each list."""

    decisions: list[Decision] = field(default_factory=list)
    passes: list[Pass] = field(default_factory=list)
    laps: list[LapDone] = field(default_factory=list)
    phases: list[PhaseChange] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)

    def add(self, other: Events) -> None:
        """Append later events."""
        self.decisions += other.decisions
        self.passes += other.passes
        self.laps += other.laps
        self.phases += other.phases
        self.marks += other.marks
