"""Prints the history."""

from __future__ import annotations

from typing import Any

import msgspec
from rich.table import Table

from coach.app.review.remembering import Answers, answers
from coach.cli.show import as_json, console, say, spark
from coach.errors import CoachError
from coach.outputs.console import lap_time
from coach.session.answers import Share
from coach.session.history import History
from coach.session.history_rows import CornerRow, SessionRow

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
