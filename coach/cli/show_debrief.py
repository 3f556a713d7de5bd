"""Prints a debrief, and the history."""

from __future__ import annotations

from typing import Any, Final

import msgspec
from rich.table import Table

from coach.app.review.debrief import SHOWN_GAINS, START, Debrief, unlike
from coach.app.review.mean_losses import mean_losses
from coach.app.review.remembering import Answers, answers
from coach.cli.show import as_json, console, say, spark
from coach.core.diagnose.advice import to_do, what
from coach.core.measure.grip_use import PHASES
from coach.core.unit_system import METRIC, Units
from coach.errors import CoachError
from coach.outputs.console import lap_time
from coach.session.answers import Share
from coach.session.history import CornerRow, History, SessionRow

SCHEMA = 1
MAX_SESSIONS = 12
"""Number of latest sessions shown."""


class HistoryError(CoachError):
    """The history has nothing under that name."""


def show_circuits(history: History, json: bool) -> None:
    """Print the known circuits."""
    circuits = history.circuits()
    if json:
        as_json({"schema": SCHEMA, "circuits": [{"circuit": c, "sessions": n} for c, n in circuits]})
        return
    for circuit, count in circuits:
        say(f"{circuit}: {count} session{'s' if count != 1 else ''}")
    if not circuits:
        say(f"no sessions yet in {history.path}; coach debrief adds one")


def show_history(history: History, circuit: str, driver: str | None, json: bool) -> None:
    """Print sessions, corners and cues of one circuit; raise HistoryError for an unknown one."""
    sessions = history.sessions(circuit, driver)
    if not sessions:
        known = ", ".join(name for name, _ in history.circuits()) or "(no circuits yet)"
        who = f" by {driver}" if driver else ""
        raise HistoryError(f"history: expected one of {known}; found {circuit!r}{who}")
    shown = sessions[-MAX_SESSIONS:]
    corners = {s.id: history.corners(s.id) for s in shown}
    worked = answers(history, circuit, driver)
    best = history.best_laps(circuit, driver)
    if json:
        as_json(_data(circuit, sessions, corners, worked, best))
        return
    _sessions(circuit, shown, best)
    _corners(shown, corners)
    _cues(worked)


def _data(
    circuit: str,
    sessions: list[SessionRow],
    corners: dict[int, list[CornerRow]],
    worked: Answers,
    best: list[tuple[float, int, str]],
) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "circuit": circuit,
        "sessions": sessions,
        "best_laps": [{"time_s": t, "lap": lap, "started_at": at} for t, lap, at in best],
        "corners": [
            {
                **{k: v for k, v in msgspec.structs.asdict(row).items() if k != "faults"},
                "faults": [{"fault": f, "passes": n, "mean_cost_s": c} for f, (n, c) in row.faults.items()],
            }
            for rows in corners.values()
            for row in rows
        ],
        "cues": worked,
    }


def _sessions(circuit: str, sessions: list[SessionRow], best: list[tuple[float, int, str]]) -> None:
    table = Table(circuit, "driver", "laps", "best", box=None)
    for s in sessions:
        table.add_row(s.started_at[:16] or s.name, s.driver, str(s.laps), lap_time(s.best_s) if s.best_s else "-")
    console.print(table)
    say("best laps: " + (", ".join(f"{lap_time(t)} ({at[:10]}, lap {lap})" for t, lap, at in best) or "none yet"))
    console.print()


def _corners(sessions: list[SessionRow], corners: dict[int, list[CornerRow]]) -> None:
    rows = [{row.corner: row for row in corners[s.id]} for s in sessions]
    names = list(dict.fromkeys(name for one in reversed(rows) for name in one))
    table = Table("corner", "lost per lap", "by session", "faults last time (passes, cost)", box=None)
    for name in names:
        mine = [one[name] for one in rows if name in one]
        last = mine[-1]
        faults = sorted(last.faults.items(), key=lambda f: -f[1][0] * f[1][1])[:3]
        text = ", ".join(f"{f.replace('_', ' ')} {n} of {last.passes}, {c:.2f} s" for f, (n, c) in faults)
        trend = spark([m.loss_s for m in mine]) if len(mine) > 1 else ""
        table.add_row(name, f"{last.loss_s:+.2f} s", trend, text or "-")
    console.print(table)
    console.print()


def _cues(worked: Answers) -> None:
    if not worked.spoken.of:
        say("cues: none yet with enough passes before and after")
        return
    say(f"cues: within 3 passes the fault was rarer after {_share(worked.spoken)}")
    if worked.held.of:
        say(f"      without a cue it was rarer after {_share(worked.held)}")
    table = Table("cue", "fault", "worked", "95 % interval", "change", box=None)
    for row in worked.wordings[:MAX_SESSIONS]:
        s = row.spoken
        interval = f"{s.low * 100:.0f} to {s.high * 100:.0f} %"
        words, about = row.template or "?", row.fault.replace("_", " ")
        table.add_row(words, about, f"{s.worked} of {s.of}", interval, f"{s.change_s:+.2f} s")
    console.print(table)


def _share(s: Share) -> str:
    return f"{s.worked} of {s.of} (95 %: {s.low * 100:.0f} to {s.high * 100:.0f} %), {s.change_s:+.2f} s per pass"


NOTHING_S = 0.005
"""A smaller loss shows as nothing; the row of START appears only above it [s]."""


def show_debrief(done: Debrief, json: bool, system: Units = METRIC) -> None:
    """Print three places to gain, then the corners, then the laps."""
    if json:
        as_json(done)
        return
    best = next((lap for lap in done.laps if lap.lap == done.best_lap), None)
    line = f"{done.circuit}: {len(done.laps)} laps"
    if best is not None:
        line += f", best {lap_time(best.time_s)} (lap {best.lap})"
    if done.possible_best_s is not None:
        line += f", theoretical best {lap_time(done.possible_best_s)}"
    say(line + f", reference {lap_time(done.reference_s)}")
    for note in done.notes:
        say(note)
    console.print()
    if done.gains:
        table = Table("", "corner", "lost per lap", "fault", "do this", "seen", box=None)
        for i, gain in enumerate(done.gains[:SHOWN_GAINS]):
            table.add_row(
                str(i + 1),
                gain.corner,
                f"{gain.cost_s:.2f} s",
                what(gain.fault, gain.amount, system, gain.apex),
                to_do(gain.fault, gain.amount, system, gain.apex),
                f"{gain.laps} of {gain.of}",
            )
        console.print(table)
    elif not any(lap.valid for lap in done.laps):
        say("no valid lap in this session: there is nothing to compare yet")
    elif unlike(min(lap.time_s for lap in done.laps if lap.valid), done.reference_s):
        say("no faults named: your laps are too far off the reference's pace to compare")
    else:
        say("nothing stands out: no fault costs more than your laps vary anyway")
    console.print()
    show_headroom(done, system)
    _show_corners(done, system)
    _show_laps(done)


def _show_corners(done: Debrief, system: Units) -> None:
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("corner", no_wrap=True)
    for heading in ("lost", "entry", "mid-corner", "exit", "after"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("trend", no_wrap=True)
    for heading in ("time ± s", f"brake ± {system.length}", f"min ± {system.speed}"):
        table.add_column(heading, justify="right")
    spread = {s.corner: s for s in done.spread}
    for mean in mean_losses(done):
        if mean.corner == START and all(abs(loss) < NOTHING_S for loss in mean.each):
            continue
        s = spread.get(mean.corner)
        brake = f"{s.brake_start_m * system.per_m:.1f}" if s is not None and s.brake_start_m is not None else "-"
        slow = f"{s.min_speed_mps * system.per_mps:.1f}" if s is not None and s.min_speed_mps is not None else "-"
        spread_s = f"{s.loss_s:.2f}" if s is not None else "-"
        losses = map(_seconds, (mean.total_s, *mean.parts))
        table.add_row(mean.corner, *losses, spark(mean.each), spread_s, brake, slow)
    console.print(table)
    console.print()


def _seconds(loss: float) -> str:
    """Return signed hundredths; a dot for nothing, so that losses stand out."""
    return f"{loss:+.2f}" if abs(loss) >= NOTHING_S else "·"


def _show_laps(done: Debrief) -> None:
    table = Table("lap", "time", "to reference", "", box=None)
    for lap in done.laps[-20:]:
        mark = "best" if lap.lap == done.best_lap else "" if lap.valid else f"does not count: {lap.why_invalid}"
        table.add_row(str(lap.lap), lap_time(lap.time_s), f"{lap.delta_s:+.3f} s", mark)
    console.print(table)


MAX_CORNERS: Final = 6
_SHOWN: Final = {"middle": "mid-corner"}


def show_headroom(done: Debrief, system: Units = METRIC) -> None:
    """Print corners by headroom, with the share of the car's limits used in each phase."""
    if done.reachable_s is None or not done.headroom:
        return
    more = ", and may have more" if done.reachable_at_least else ""
    say(f"where the next second is: your car has shown enough for a {lap_time(done.reachable_s)}{more}")
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("corner", no_wrap=True)
    left = "at least, s" if done.reachable_at_least else "left in it, s"
    for heading in (left, "90 % interval", *(_SHOWN.get(phase, phase) for phase in PHASES)):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("do this")
    for one in done.headroom[:MAX_CORNERS]:
        use = ["-" if (u := one.grip_use[phase]) is None else f"{100 * u:.0f} %" for phase in PHASES]
        between = f"{max(one.low_s, 0.0):.2f}-{one.high_s:.2f}"
        advice = to_do(one.fault, one.amount, system) if one.fault else ""
        table.add_row(one.corner, f"{one.headroom_s:.2f}", between, *use, advice)
    console.print(table)
    console.print()
