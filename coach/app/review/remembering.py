"""Stores sessions in the history, and reads what it says about a driver on a circuit."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
import platformdirs

from coach.app.rerun.rerun import Rerun, settle_findings
from coach.app.review.debrief import known
from coach.app.setup import Setup
from coach.core.cue.reasons import QUIET_BECAUSE_RIGHT
from coach.core.cue.rules import RuleSet
from coach.core.values import Decision, Pass
from coach.errors import CoachError, SessionError
from coach.identity import APP
from coach.session.answers import (
    Attempt,
    PassCosts,
    Said,
    Share,
    WordingChoice,
    attempts,
    choose_wording,
    share,
    template_of,
)
from coach.session.header import Header
from coach.session.history import CueRow, History, LapRow, PassRow, SessionInfo
from coach.session.reader import SessionReader


def history_file() -> Path:
    """Return where the history of this machine is kept."""
    return Path(platformdirs.user_data_dir(APP)) / "history.sqlite3"


def remember(history: History, result: Rerun, setup: Setup, header: Header, live: Sequence[Decision] = ()) -> int:
    """Store a rerun session and return its number; cues are the ``live`` ones where available, as those were heard."""
    names = [corner.name for corner in setup.corners]
    info = SessionInfo(
        header.session,
        header.started_at,
        setup.circuit,
        header.driver or "driver",
        header.car,
        setup.reference.length_m,
        setup.reference.lap_time_s,
    )
    laps = [LapRow(lap.lap, lap.time_s, known(lap.delta_s), lap.valid) for lap in result.events.laps]
    passes = [_pass(p, names) for p in settle_findings(result)]
    decisions = live or result.events.decisions
    return history.keep(info, laps, passes, cues(decisions, setup.rules))


def remember_session(history: History, session: Path) -> int:
    """Rerun a session folder and store it; raise CoachError on failure."""
    from coach.app.rerun.rerun import on_plane_of, rerun
    from coach.app.setup import session_setup

    reader = SessionReader(session)
    setup = session_setup(reader, None, None)
    return remember(
        history,
        rerun(on_plane_of(setup.reference, reader.header, reader.batches()), setup),
        setup,
        reader.header,
        reader.decisions(),
    )


def keep_session(session: Path, notice: Callable[[str], object]) -> None:
    """Store a session just driven; a failure is a notice, not an error."""
    try:
        with History(history_file()) as history:
            remember_session(history, session)
    except CoachError as error:
        notice(f"not added to the history: {error}")


def save_reviewed(result: Rerun, setup: Setup, reader: SessionReader, notice: Callable[[str], object]) -> None:
    """Store a session just reviewed; an unusable history is a notice, not an error."""
    if not reader.path.is_dir() or not result.events.laps:
        return  # an empty session leaves nothing in the history
    try:
        with History(history_file()) as history:
            remember(history, result, setup, reader.header, reader.decisions())
    except SessionError as error:
        notice(str(error))


def cues(decisions: Sequence[Decision], rules: RuleSet) -> list[CueRow]:
    """Return the decisions about cues as stored."""
    by_name = {rule.name: rule for rule in rules.rules}
    out = []
    for d in decisions:
        rule = by_name.get(d.rule)
        template = template_of(rule, d.text) if rule is not None else ""
        before = rule is None or rule.slot == "approach"
        spoken = d.outcome == "spoken"
        out.append(
            CueRow(d.lap, d.corner, d.t_s, d.rule, d.family, d.fault, template, d.text, spoken, d.reason, before)
        )
    return out


def session_attempts(passes: Sequence[Pass], decisions: Sequence[Decision], setup: Setup) -> list[Attempt]:
    """Return the corrections of one session and whether they worked."""
    names = [corner.name for corner in setup.corners]
    passed = [PassCosts(0, p.lap, names[p.corner], {f.fault: f.cost_s for f in p.findings}) for p in passes if p.valid]
    said = [
        Said(0, c.lap, c.corner, c.fault, c.rule, c.template, c.spoken, c.before_corner)
        for c in cues(decisions, setup.rules)
        if c.family == "correction" and (c.spoken or c.reason not in QUIET_BECAUSE_RIGHT)
    ]
    return attempts(said, passed)


class Worked(msgspec.Struct, frozen=True):
    """One wording of one rule for this driver: how often it worked, and how often the fault cleared without it."""

    rule: str
    fault: str
    template: str
    spoken: Share


class Answers(msgspec.Struct, frozen=True):
    """All corrections of a driver on a circuit: those that worked, and faults that cleared while held."""

    spoken: Share
    held: Share
    wordings: tuple[Worked, ...]


def answers(history: History, circuit: str, driver: str | None = None) -> Answers:
    """Return which cues worked for this driver here."""
    found = attempts(history.said(circuit, driver), history.pass_costs(circuit, driver))
    spoken = [a for a in found if a.said.spoken]
    groups: dict[tuple[str, str, str], list[Attempt]] = {}
    for one in spoken:
        groups.setdefault((one.said.rule, one.said.fault, one.said.template), []).append(one)
    rows = [Worked(*key, share(group)) for key, group in groups.items()]
    rows.sort(key=lambda w: (-w.spoken.of, w.rule, w.template))
    return Answers(share(spoken), share([a for a in found if not a.said.spoken]), tuple(rows))


def choose_wordings(
    history: History, circuit: str, driver: str, rules: RuleSet, corners: Sequence[str]
) -> dict[tuple[str, str], WordingChoice]:
    """Return (rule, corner) -> the wording to use, for every correction with alternatives, as data."""
    found = attempts(history.said(circuit, driver), history.pass_costs(circuit, driver))
    return {
        (rule.name, corner): choose_wording(rule, corner, found)
        for rule in rules.rules
        if rule.family == "correction" and rule.alternatives
        for corner in corners
    }


def driver_wordings(history: History, circuit: str, driver: str, rules: RuleSet) -> dict[str, str]:
    """Return rule -> the wording that replaces one that never worked for this driver here, at any corner."""
    chosen = choose_wordings(history, circuit, driver, rules, ("",))
    by_name = {rule.name: rule for rule in rules.rules}
    return {name: w.template for (name, _), w in chosen.items() if w.template != by_name[name].short}


def wordings_for(circuit: str, driver: str, rules: RuleSet, notice: Callable[[str], object]) -> dict[str, str]:
    """Return ``driver_wordings`` from this machine's history; empty, with a notice, if unreadable."""
    if not history_file().exists():
        return {}
    try:
        with History(history_file()) as history:
            return driver_wordings(history, circuit, driver, rules)
    except SessionError as error:
        notice(f"wordings of the rule file, not your own: {error}")
        return {}


def _pass(p: Pass, names: Sequence[str]) -> PassRow:
    return PassRow(
        p.lap,
        names[p.corner],
        p.corner,
        p.loss_s,
        p.loss_straight_s,
        p.valid,
        known(p.measures.get("brake_start_m", math.nan)),
        known(p.measures.get("min_speed_mps", math.nan)),
        p.findings,
    )
