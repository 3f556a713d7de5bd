"""History over sessions in SQLite: laps, passes, findings, cues; one file for all drivers and circuits.

``PRAGMA user_version`` counts the applied MIGRATIONS; a file of a newer coach is refused and not changed. A session
(identified by name and start) is written whole or not at all, and rewritten at each review.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final

import msgspec

from coach.core.values import Finding
from coach.errors import SessionError
from coach.session.answers import PassCosts, Said


class SessionInfo(msgspec.Struct, frozen=True):
    """Identity of a session; ``started_at`` ISO 8601."""

    name: str
    started_at: str
    circuit: str
    driver: str
    car: str = ""
    length_m: float = 0.0
    reference_s: float = 0.0


class LapRow(msgspec.Struct, frozen=True):
    """A lap: time [s], time lost to the reference [s] or None."""

    lap: int
    time_s: float
    delta_s: float | None
    valid: bool


class PassRow(msgspec.Struct, frozen=True):
    """A pass of a corner with its findings; ``place`` is the corner's number in driving order."""

    lap: int
    corner: str
    place: int
    loss_s: float
    straight_s: float
    valid: bool
    brake_start_m: float | None = None
    min_speed_mps: float | None = None
    findings: tuple[Finding, ...] = ()


class CueRow(msgspec.Struct, frozen=True):
    """A decision about a cue, with its wording."""

    lap: int
    corner: str
    t_s: float
    rule: str
    family: str
    fault: str
    template: str
    text: str
    spoken: bool
    reason: str
    before_corner: bool


class SessionRow(msgspec.Struct, frozen=True):
    """A stored session with its best valid lap [s] and number of laps."""

    id: int
    name: str
    started_at: str
    circuit: str
    driver: str
    laps: int
    best_s: float | None


class CornerRow(msgspec.Struct, frozen=True):
    """A corner in one session: mean time lost per valid pass [s] and its faults: (passes with it, mean cost [s])."""

    session: int
    corner: str
    passes: int
    loss_s: float
    faults: dict[str, tuple[int, float]]


MIGRATIONS: Final = (
    """
    CREATE TABLE session (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL, started_at TEXT NOT NULL, circuit TEXT NOT NULL,
        driver TEXT NOT NULL, car TEXT NOT NULL, length_m REAL NOT NULL, reference_s REAL NOT NULL,
        UNIQUE (name, started_at, circuit));
    CREATE TABLE lap (
        session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, lap INTEGER NOT NULL,
        time_s REAL NOT NULL, delta_s REAL, valid INTEGER NOT NULL, PRIMARY KEY (session, lap)) WITHOUT ROWID;
    CREATE TABLE pass (
        session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, lap INTEGER NOT NULL, corner TEXT NOT NULL,
        loss_s REAL NOT NULL, straight_s REAL NOT NULL, brake_start_m REAL, min_speed_mps REAL,
        valid INTEGER NOT NULL, place INTEGER NOT NULL, PRIMARY KEY (session, lap, corner)) WITHOUT ROWID;
    CREATE TABLE finding (
        session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, lap INTEGER NOT NULL, corner TEXT NOT NULL,
        fault TEXT NOT NULL, amount REAL NOT NULL, unit TEXT NOT NULL, cost_s REAL NOT NULL);
    CREATE TABLE cue (
        session INTEGER NOT NULL REFERENCES session ON DELETE CASCADE, lap INTEGER NOT NULL, corner TEXT NOT NULL,
        t_s REAL NOT NULL, rule TEXT NOT NULL, family TEXT NOT NULL, fault TEXT NOT NULL, template TEXT NOT NULL,
        text TEXT NOT NULL, spoken INTEGER NOT NULL, reason TEXT NOT NULL, before_corner INTEGER NOT NULL);
    CREATE INDEX finding_session ON finding (session, corner);
    CREATE INDEX cue_session ON cue (session, corner);
    CREATE INDEX session_circuit ON session (circuit, driver, started_at);
    """,
)


class History:
    """The open file; use as a context manager. Raises SessionError if it is foreign or unusable."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=5.0, isolation_level=None)
        except (OSError, sqlite3.Error) as error:
            raise SessionError(str(path), f"the history cannot be opened ({error})") from None
        try:
            with self._errors():
                self._db.execute("PRAGMA foreign_keys = ON")
                self._migrate()
        except BaseException:
            self._db.close()
            raise

    def _migrate(self) -> None:
        self._db.execute("BEGIN IMMEDIATE")
        try:
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
            if version > len(MIGRATIONS):
                found = f"schema {version} of a newer coach; this one knows {len(MIGRATIONS)}"
                raise SessionError(str(self.path), found)
            tables = self._db.execute("SELECT count(*) FROM sqlite_master WHERE type = 'table'").fetchone()[0]
            if version == 0 and tables:
                raise SessionError(str(self.path), "found a database that is not a history of the coach")
            for step in MIGRATIONS[version:]:
                for statement in step.split(";"):
                    self._db.execute(statement)
            # a pragma takes no parameters; the number is our own
            self._db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            raise

    def __enter__(self) -> History:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise SessionError(str(self.path), f"the history cannot be used ({error})") from None

    def keep(self, info: SessionInfo, laps: Sequence[LapRow], passes: Sequence[PassRow], cues: Sequence[CueRow]) -> int:
        """Write a session in one transaction, replacing its previous record; return its number."""
        with self._errors():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                key = (info.name, info.started_at, info.circuit)
                self._db.execute("DELETE FROM session WHERE name = ? AND started_at = ? AND circuit = ?", key)
                number = self._db.execute(
                    "INSERT INTO session (name, started_at, circuit, driver, car, length_m, reference_s)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    msgspec.structs.astuple(info),
                ).lastrowid
                assert number is not None
                self._fill(number, laps, passes, cues)
                self._db.execute("COMMIT")
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
        return number

    def _fill(self, n: int, laps: Sequence[LapRow], passes: Sequence[PassRow], cues: Sequence[CueRow]) -> None:
        many = self._db.executemany
        many("INSERT INTO lap VALUES (?, ?, ?, ?, ?)", [(n, *msgspec.structs.astuple(lap)) for lap in laps])
        many(
            "INSERT OR REPLACE INTO pass VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (n, p.lap, p.corner, p.loss_s, p.straight_s, p.brake_start_m, p.min_speed_mps, p.valid, p.place)
                for p in passes
            ],
        )
        many(
            "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(n, p.lap, p.corner, f.fault, f.amount, f.unit, f.cost_s) for p in passes for f in p.findings],
        )
        many(
            "INSERT INTO cue VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(n, *msgspec.structs.astuple(cue)) for cue in cues],
        )

    def circuits(self) -> list[tuple[str, int]]:
        """Return circuits with their number of sessions, the latest first."""
        sql = "SELECT circuit, count(*) FROM session GROUP BY circuit ORDER BY max(started_at) DESC"
        return [(str(c), int(n)) for c, n in self._rows(sql)]

    def sessions(self, circuit: str, driver: str | None = None) -> list[SessionRow]:
        """Return the sessions on a circuit in order of time."""
        sql = (
            "SELECT s.id, s.name, s.started_at, s.circuit, s.driver, count(l.lap),"
            " min(CASE WHEN l.valid THEN l.time_s END) FROM session s LEFT JOIN lap l ON l.session = s.id"
            " WHERE s.circuit = ? AND (? IS NULL OR s.driver = ?) GROUP BY s.id ORDER BY s.started_at, s.id"
        )
        return [SessionRow(*row) for row in self._rows(sql, (circuit, driver, driver))]

    def best_laps(self, circuit: str, driver: str | None = None, most: int = 5) -> list[tuple[float, int, str]]:
        """Return (time [s], lap, started_at) of the best valid laps."""
        sql = (
            "SELECT l.time_s, l.lap, s.started_at FROM lap l JOIN session s ON s.id = l.session WHERE s.circuit = ?"
            " AND (? IS NULL OR s.driver = ?) AND l.valid ORDER BY l.time_s LIMIT ?"
        )
        return [(float(t), int(n), str(at)) for t, n, at in self._rows(sql, (circuit, driver, driver, most))]

    def corners(self, session: int) -> list[CornerRow]:
        """Return the corners of a session in driving order."""
        sql = (
            "SELECT corner, count(*), avg(loss_s + straight_s) FROM pass WHERE session = ? AND valid"
            " GROUP BY corner ORDER BY min(place)"
        )
        faults: dict[str, dict[str, tuple[int, float]]] = {}
        found = (
            "SELECT f.corner, f.fault, count(*), avg(f.cost_s) FROM finding f JOIN pass p ON p.session = f.session"
            " AND p.lap = f.lap AND p.corner = f.corner AND p.valid WHERE f.session = ? GROUP BY f.corner, f.fault"
        )
        for corner, fault, count, cost in self._rows(found, (session,)):
            faults.setdefault(corner, {})[fault] = (count, cost)
        return [CornerRow(session, c, n, loss, faults.get(c, {})) for c, n, loss in self._rows(sql, (session,))]

    def pass_costs(self, circuit: str, driver: str | None = None) -> list[PassCosts]:
        """Return every valid pass with the cost of its faults, in order."""
        sql = (
            "SELECT p.session, p.lap, p.corner, f.fault, f.cost_s FROM pass p JOIN session s ON s.id = p.session"
            " LEFT JOIN finding f ON f.session = p.session AND f.lap = p.lap AND f.corner = p.corner"
            " WHERE s.circuit = ? AND (? IS NULL OR s.driver = ?) AND p.valid ORDER BY s.started_at, p.session, p.lap"
        )
        passes: dict[tuple[int, int, str], PassCosts] = {}
        for session, lap, corner, fault, cost in self._rows(sql, (circuit, driver, driver)):
            one = passes.setdefault((session, lap, corner), PassCosts(session, lap, corner, {}))
            if fault is not None:
                one.costs[fault] = one.costs.get(fault, 0.0) + cost
        return list(passes.values())

    def said(self, circuit: str, driver: str | None = None) -> list[Said]:
        """Return every spoken or held correction."""
        sql = (
            "SELECT c.session, c.lap, c.corner, c.fault, c.rule, c.template, c.spoken, c.before_corner FROM cue c"
            " JOIN session s ON s.id = c.session WHERE s.circuit = ? AND (? IS NULL OR s.driver = ?)"
            " AND c.family = 'correction' AND (c.spoken OR c.reason NOT IN ('within tolerance', 'inside the band'))"
            " ORDER BY s.started_at, c.session, c.t_s"
        )
        return [
            Said(n, lap, corner, fault, rule, template, bool(spoken), bool(before))
            for n, lap, corner, fault, rule, template, spoken, before in self._rows(sql, (circuit, driver, driver))
        ]

    def _rows(self, sql: str, values: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        with self._errors():
            return self._db.execute(sql, values).fetchall()
