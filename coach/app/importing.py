"""Imports logged files as sessions, and exports sessions for other programs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from coach.app.sources.files import (
    ColumnMap,
    Guess,
    Imported,
    NotTaken,
    Table,
    columns_of,
    convert,
    export,
    guess_columns,
    map_of,
    missing,
    not_taken,
    read_column_map,
    read_table,
    write_column_map,
    write_draft,
)
from coach.core.columns import Columns
from coach.errors import CoachError
from coach.identity import VERSION
from coach.session.header import Header
from coach.session.reader import SessionReader, store

Progress = Callable[[float, str], None]


class ImportFileError(CoachError):
    """A file that cannot become a session as it is."""


@dataclass(frozen=True)
class Found:
    """A table and its column map; ``guesses`` is empty if a map was given.

    ``column_map`` is None if the guess lacks required fields; ``lacking`` has a sentence for each.
    """

    file: Path
    table: Table
    column_map: ColumnMap | None
    guesses: tuple[Guess, ...] = ()
    lacking: tuple[str, ...] = ()
    not_taken: tuple[NotTaken, ...] = ()


@dataclass(frozen=True)
class Wanted:
    """Destination and names of the session."""

    folder: Path
    circuit: str = ""
    driver: str = ""


@dataclass(frozen=True)
class Done:
    """The imported session, and the columns not used."""

    folder: Path
    imported: Imported
    not_taken: tuple[NotTaken, ...] = ()


def guess(file: Path, columns: Path | None, separator: str, decimal: str) -> Found:
    """Read ``file`` and its map, or guess the map; raise FeedError, or ImportFileError for an invalid separator."""
    separator = "\t" if separator in ("tab", "\\t") else separator
    if len(separator) > 1:
        raise ImportFileError(f"--separator: expected one character, or tab; found {separator!r}")
    if decimal not in ("", ".", ","):
        raise ImportFileError(f"--decimal: expected . or ,; found {decimal!r}")
    if columns is not None:
        chosen = read_column_map(columns)
        table = read_table(file, separator=separator or chosen.separator, decimal=decimal or chosen.decimal)
        taken = {field: choice.column for field, choice in chosen.columns.items()}
        return Found(file, table, chosen, not_taken=tuple(not_taken(table, taken, by_map=True)))
    table = read_table(file, separator=separator, decimal=decimal)
    guesses = guess_columns(table)
    lacking = missing(guesses)
    left = not_taken(table, {g.field: g.column for g in guesses})
    return Found(
        file, table, None if lacking else map_of(guesses), tuple(guesses), tuple(lacking), tuple(left)
    )  # fmt: skip


def store_map(found: Found, path: Path) -> None:
    """Write the map for editing, with a gap for each missing field; raise FeedError on failure."""
    reasons = {g.field: g.reason for g in found.guesses}
    if found.column_map is not None:
        write_column_map(path, found.column_map, reasons)
    else:
        write_draft(path, columns_of(list(found.guesses)), reasons, found.table.names)


def whole_map(found: Found) -> ColumnMap:
    """Return the map; raise ImportFileError if time or position was not found."""
    if found.column_map is None:
        shown = ", ".join(found.table.names[:20]) + (", ..." if len(found.table.names) > 20 else "")
        raise ImportFileError(
            f"{found.file}: {'; '.join(found.lacking)}; columns: {shown}; "
            "write a map with --write-map MAP, fill it in and give it with --map MAP"
        )
    return found.column_map


def import_table(found: Found, wanted: Wanted, progress: Progress) -> Done:
    """Make the session; raise FeedError, SessionError, or ImportFileError if the map is incomplete."""
    made = convert(found.table, whole_map(found), str(found.file), progress)
    header = Header(
        session=wanted.folder.name,
        started_at=datetime.now(UTC).isoformat(timespec="seconds"),
        feed="import",
        circuit=wanted.circuit or found.file.stem,
        driver=wanted.driver,
        rate_hz=made.rate_hz,
        given=made.given,
        inferred=made.inferred,
        origin_lat_deg=made.origin[0],
        origin_lon_deg=made.origin[1],
        coach_version=VERSION,
    )
    store(wanted.folder, msgspec.structs.replace(header, counters=made.counters), Columns(made.data))
    return Done(wanted.folder, made, found.not_taken)


def export_session(session: Path, output: Path, progress: Progress) -> int:
    """Write the frames of ``session`` to ``output`` and return their number. Raise SessionError or FeedError on
    failure.
    """
    return export(output, (batch.data for batch in SessionReader(session).batches()), progress)
