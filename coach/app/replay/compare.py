"""Compares two decision logs: cues gained, lost, moved or reworded, and why; explains one moment."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from coach.core.cue.reasons import MEANING
from coach.core.values import Corner, Decision
from coach.errors import CoachError


class ExplainError(CoachError):
    """An unknown corner or lap."""


def lap_driven(lap: int, laps: Sequence[int]) -> None:
    """Raise ExplainError unless ``lap`` is one of the session's ``laps``."""
    if laps and lap not in laps:
        raise ExplainError(f"--lap: expected {min(laps)} to {max(laps)}, the laps of this session; found {lap}")


def corner_named(name: str, corners: Sequence[Corner]) -> str:
    """Return the corner's name in the profile, by its name or spoken name; raise ExplainError listing the corners."""
    wanted = name.casefold()
    for corner in corners:
        if wanted in (corner.name.casefold(), corner.say.casefold()):
            return corner.name
    known = ", ".join(c.name for c in corners)
    raise ExplainError(f"--explain: expected a corner of this profile, {known}; found {name!r}")


def explain(decisions: Iterable[Decision], corner: str, lap: int | None = None) -> list[Decision]:
    """Return every decision at ``corner`` (of ``lap``), in order of time."""
    return [d for d in decisions if d.corner == corner and (lap is None or d.lap == lap)]


def lines(found: Sequence[Decision], corner: str, lap: int | None = None) -> list[str]:
    """Return the decisions as text: one line per candidate, then the meaning of the reasons."""
    if not found:
        where = corner if lap is None else f"{corner} in lap {lap}"
        return [f"{where}: nothing could have been said: no rule has anything to say there"]
    out = []
    for d in found:
        what = d.reason if d.outcome == "held" else f"{d.outcome} at {d.s_m:.0f} m"
        until = d.action_t_s - d.ends_t_s
        spare = f", {until:.1f} s before its action" if d.outcome == "spoken" and until == until else ""
        out.append(f"lap {d.lap:>3}  {d.rule:20} {d.text!r}: {what}{spare}")
    reasons = Counter(d.reason for d in found if d.outcome == "held")
    out += [f"{reason}: {MEANING.get(reason, reason)}" for reason, _ in reasons.most_common()]
    return out


Kind = Literal["gained", "lost", "moved", "reworded"]
MOVED_M: Final = 5.0
"""Least shift along the lap of a moved cue [m]."""


class CompareError(CoachError):
    """The comparison cannot be written."""


@dataclass(frozen=True)
class Difference:
    """One cue that differs: ``before`` or ``after`` is None where it was not spoken.

    ``why`` is the reason for holding it on the silent side, "" if it is no candidate there.
    """

    kind: Kind
    lap: int
    corner: str
    rule: str
    before: Decision | None
    after: Decision | None
    why: str = ""

    @property
    def line(self) -> str:
        """The difference in full, on one line."""
        place = f"lap {self.lap}, {self.corner}, {self.rule}"
        if self.before is not None and self.after is not None:
            if self.kind == "reworded":
                return f"reworded  {place}: {self.before.text!r} is now {self.after.text!r}"
            shift = self.after.s_m - self.before.s_m
            return f"moved     {place}: {self.after.text!r} {abs(shift):.0f} m {'later' if shift > 0 else 'earlier'}"
        one = self.after or self.before
        assert one is not None
        why = f" ({self.why})" if self.why else " (no candidate)"
        return f"{self.kind:9} {place}: {one.text!r} at {one.s_m:.0f} m{why if self.kind == 'lost' else ''}"


_Key = tuple[int, str, str]


def compare(before: Iterable[Decision], after: Iterable[Decision]) -> tuple[Difference, ...]:
    """Return every cue that only one of two logs of a drive speaks, or that differs between them; in order of lap."""
    old, new = list(before), list(after)
    spoken_old, spoken_new = _spoken(old), _spoken(new)
    held_old, held_new = _reasons(old), _reasons(new)
    out: list[Difference] = []
    for key in sorted({*spoken_old, *spoken_new}, key=lambda k: (k[0], _when(spoken_old, spoken_new, k), k)):
        mine, theirs = list(spoken_old.get(key, ())), list(spoken_new.get(key, ()))
        for a in list(mine):
            # several texts of one rule at one corner: match the unchanged ones first
            b = next((b for b in theirs if b.text == a.text), None)
            if b is not None:
                mine.remove(a)
                theirs.remove(b)
                if abs(b.s_m - a.s_m) >= MOVED_M or abs(b.t_s - a.t_s) > 60.0:
                    out.append(Difference("moved", *key, a, b))
        for a, b in zip(mine, theirs, strict=False):
            out.append(Difference("reworded", *key, a, b))
        paired = min(len(mine), len(theirs))
        out += [Difference("lost", *key, a, None, held_new.get(key, "")) for a in mine[paired:]]
        out += [Difference("gained", *key, None, b, held_old.get(key, "")) for b in theirs[paired:]]
    return tuple(out)


def _spoken(decisions: Sequence[Decision]) -> dict[_Key, list[Decision]]:
    found: dict[_Key, list[Decision]] = defaultdict(list)
    for d in decisions:
        if d.outcome == "spoken":
            found[d.lap, d.corner, d.rule].append(d)
    return found


def _reasons(decisions: Sequence[Decision]) -> dict[_Key, str]:
    return {(d.lap, d.corner, d.rule): d.reason for d in decisions if d.outcome == "held"}


def _when(old: dict[_Key, list[Decision]], new: dict[_Key, list[Decision]], key: _Key) -> float:
    times: list[float] = [d.t_s for d in (*old.get(key, ()), *new.get(key, ()))]
    return min(times)


def short(differences: Sequence[Difference]) -> list[str]:
    """Return one line per corner for the screen, in driving order."""
    if not differences:
        return ["the same cues in both"]
    by_corner: dict[str, list[Difference]] = defaultdict(list)
    for d in differences:
        by_corner[d.corner].append(d)

    def place(corner: str) -> float:
        return min(one.s_m for d in by_corner[corner] for one in (d.before, d.after) if one is not None)

    lines = []
    for corner in sorted(by_corner, key=lambda c: (place(c), c)):
        parts = []
        for kind in ("gained", "lost", "moved", "reworded"):
            groups: dict[str, list[int]] = defaultdict(list)
            for d in by_corner[corner]:
                if d.kind == kind:
                    groups[d.rule].append(d.lap)
            parts += [f"{kind} {rule} in {laps(found)}" for rule, found in groups.items()]
        lines.append(f"{corner}: " + "; ".join(parts))
    counts = {kind: sum(d.kind == kind for d in differences) for kind in ("gained", "lost", "moved", "reworded")}
    lines.append(", ".join(f"{n} {kind}" for kind, n in counts.items() if n))
    return lines


def full(differences: Sequence[Difference]) -> list[str]:
    """Return one line per difference, for a file."""
    return [d.line for d in differences]


def write_full(path: Path, differences: Sequence[Difference]) -> None:
    """Write the full comparison; raise CompareError on failure."""
    try:
        path.write_text("".join(line + "\n" for line in full(differences)), encoding="utf-8")
    except OSError as error:
        raise CompareError(f"{path}: the comparison cannot be written ({error.strerror})") from error


def laps(numbers: Iterable[int]) -> str:
    """Return laps as text: "lap 3", "laps 2-4, 7"."""
    ordered = sorted(set(numbers))
    runs: list[list[int]] = []
    for n in ordered:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    text = ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}-{r[-1]}" for r in runs)
    return f"lap {text}" if len(ordered) == 1 else f"laps {text}"
