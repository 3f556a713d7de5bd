"""``coach check``: replays recorded sessions and compares them with their expectations."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from coach.app.replay.check_models import Expectation, ExpectationsFileError, ExpectationsModel
from coach.app.replay.compare import compare, laps, short
from coach.app.rerun.plan_changes import changes_of
from coach.app.rerun.rerun import on_plane_of, rerun, settle_findings
from coach.app.setup import Setup, session_setup
from coach.core.values import Decision, Pass
from coach.errors import CoachError
from coach.profile.problems import Problem
from coach.profile.rule_files import rule_paths
from coach.profile.yaml_file import YamlFile
from coach.profile.yaml_tree import line_of
from coach.session.header import HEADER_FILE
from coach.session.log import decision_line, read_lines, read_log, write_log
from coach.session.reader import SessionReader

EXPECT_FILE: Final = "expect.yaml"
MAX_CORNERS_SHOWN: Final = 12


class CheckError(CoachError):
    """There is nothing to check."""


@dataclass
class Checked:
    """Result of one session: failed expectations with their lines. ``renewed`` are golden logs written."""

    session: Path
    expectations: int = 0
    failures: list[str] = field(default_factory=list)
    renewed: list[Path] = field(default_factory=list)
    spoken: int = 0


@dataclass(frozen=True)
class Played:
    """A replayed session, checked against expectations. ``laps`` were driven, complete or not."""

    folder: Path
    names: tuple[str, ...]
    decisions: tuple[Decision, ...]
    passes: tuple[Pass, ...]
    laps: tuple[int, ...]


def sessions_in(folder: Path) -> list[Path]:
    """Return the sessions with expectations in ``folder``, or that folder itself; raise CheckError if there is none."""
    if not folder.is_dir():
        raise CheckError(f"{folder}: expected a session, or a folder of sessions; found nothing")
    found = [p.parent for p in (folder / EXPECT_FILE, *sorted(folder.glob(f"*/{EXPECT_FILE}"))) if p.is_file()]
    if not found:
        raise CheckError(f"{folder}: expected {EXPECT_FILE} in it or in a folder below, found none")
    for session in found:
        if not (session / HEADER_FILE).is_file():
            raise CheckError(f"{session}: expected a session ({HEADER_FILE}) beside {EXPECT_FILE}, found none")
    return found


def check_folder(folder: Path, renew: bool = False, told: Callable[[Checked], None] | None = None) -> list[Checked]:
    """Check every session of ``folder``; with ``renew`` rewrite golden logs. Raise CoachError on failure."""
    out = []
    for session in sessions_in(folder):
        out.append(check_session(session, renew))
        if told is not None:
            told(out[-1])
    return out


def check_session(session: Path, renew: bool = False) -> Checked:
    """Replay ``session`` and check its expectations."""
    file = YamlFile.read(session / EXPECT_FILE, ExpectationsModel, ExpectationsFileError)
    model = file.model
    reader = SessionReader(session)
    rules = model.rules
    if rules is not None and rules not in rule_paths() and (session / rules).is_file():
        rules = str(session / rules)
    setup = session_setup(reader, model.profile, rules)
    _known_corners(file, setup)
    as_driven = model.profile is None and model.rules is None
    batches = on_plane_of(setup.reference, reader.header, reader.batches(1 << 16))
    result = rerun(batches, setup, changes=changes_of(reader, edits=as_driven))
    decisions, passes = tuple(result.events.decisions), tuple(settle_findings(result))
    laps_there = sorted({row.lap for rows in (decisions, passes, result.events.laps) for row in rows})
    played = Played(session, tuple(c.name for c in setup.corners), decisions, passes, tuple(laps_there))
    done = Checked(session, len(model.expect), spoken=sum(d.outcome == "spoken" for d in played.decisions))
    for i, one in enumerate(model.expect):
        if one.same_as is not None and renew:
            golden = session / one.same_as
            write_log(golden, played.decisions)
            done.renewed.append(golden)
            continue
        line = line_of(file.tree, ("expect", i))
        done.failures += [f"{file.path}:{line}: {problem}" for problem in judge(one, played)]
    return done


def _known_corners(file: YamlFile[ExpectationsModel], setup: Setup) -> None:
    names = [c.name for c in setup.corners]
    problems = []
    for i, one in enumerate(file.model.expect):
        if one.corner is not None and one.corner not in names:
            loc = ("expect", i, "corner")
            text = f"expected one of {', '.join(names)}; found {one.corner!r}"
            problems.append(Problem(str(file.path), line_of(file.tree, loc), f"expect[{i + 1}].corner", text, loc))
    if problems:
        raise ExpectationsFileError(problems)


def judge(one: Expectation, played: Played) -> list[str]:
    """Return the failures of ``one``; empty if it holds."""
    if one.same_as is not None:
        return _same(played.folder / one.same_as, played)
    first, last = one.lap_range
    if one.laps is not None and not any(first <= lap <= last for lap in played.laps):
        return [f"{_where(one)}expected a lap that was driven ({laps(played.laps)}), found none"]
    if one.found is not None or one.not_found is not None:
        return _faults(one, played)
    there = [d for d in played.decisions if first <= d.lap <= last and one.corner in (None, d.corner)]
    spoken = [d for d in there if d.outcome == "spoken"]
    where = _where(one)
    if one.most_a_lap is not None:
        counts = Counter(d.lap for d in spoken if not d.safety)
        over = [lap for lap, n in counts.items() if n > one.most_a_lap]
        worst = max(counts.values(), default=0)
        return [f"{where}more than {one.most_a_lap} cues in {laps(over)} (up to {worst})"] if over else []
    wanted = one.spoken if one.spoken is not None else one.silent
    assert wanted is not None
    said = [d for d in spoken if _is(d, wanted)]
    if one.silent is not None:
        if not said:
            return []
        texts = ", ".join(sorted({repr(d.text) for d in said}))
        return [f"{where}{texts} was spoken in {laps(d.lap for d in said)} instead of silence"]
    if len(said) >= one.times:
        return []
    held = Counter(d.reason for d in there if d.outcome == "held" and _is(d, wanted))
    reasons = ", ".join(f"{reason} {n}" for reason, n in held.most_common()) or "it was never considered"
    how = f"{len(said)} of {one.times} times" if one.times > 1 else "not"
    return [f"{where}{wanted!r} was spoken {how} ({reasons})"]


def _is(decision: Decision, wanted: str) -> bool:
    return wanted == "anything" or decision.rule == wanted or wanted.casefold() in decision.text.casefold()


def _where(one: Expectation) -> str:
    parts = [*([f"corner {one.corner}"] if one.corner else []), *([f"laps {one.laps}"] if one.laps is not None else [])]
    return ", ".join(parts) + ": " if parts else ""


def _faults(one: Expectation, played: Played) -> list[str]:
    first, last = one.lap_range
    fault = one.found if one.found is not None else one.not_found
    there = [p for p in played.passes if first <= p.lap <= last and one.corner in (None, played.names[p.corner])]
    with_it = [p for p in there if any(f.fault == fault for f in p.findings)]
    where = _where(one)
    if one.found is not None and len(with_it) < one.times:
        others = Counter(f.fault for p in there for f in p.findings)
        instead = ", ".join(f"{name} {n}" for name, n in others.most_common()) or "none"
        return [f"{where}{fault} was found in {len(with_it)} of {len(there)} passes (found there: {instead})"]
    if one.not_found is not None and with_it:
        return [f"{where}{fault} was found in {laps(p.lap for p in with_it)}"]
    return []


def _same(golden: Path, played: Played) -> list[str]:
    if not golden.is_file():
        return [f"expected {golden.name}, found no such file"]
    lines = [decision_line(d) for d in played.decisions]
    expected = [line for _, line in read_lines(golden)]
    if lines == expected:
        return []
    differences = compare(read_log(golden), played.decisions)
    what = short(differences) if differences else ["the same cues, other times or reasons"]
    first = next(
        (i for i, (a, b) in enumerate(zip(expected, lines, strict=False)) if a != b), min(len(expected), len(lines))
    )
    cut = [
        *what[:MAX_CORNERS_SHOWN],
        *([f"and {len(what) - MAX_CORNERS_SHOWN} more corners"] if len(what) > MAX_CORNERS_SHOWN else []),
    ]
    return [f"the log differs from {golden.name} from line {first + 1} on: {'; '.join(cut)}"]


def renew_command(folder: Path) -> str:
    """Return the command that accepts the new logs."""
    return f"coach check {folder} --renew"


def failures(checked: Sequence[Checked]) -> Iterator[str]:
    """Yield all failures, session by session."""
    for one in checked:
        yield from one.failures
