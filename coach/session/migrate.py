"""Migrates old sessions in small steps, each with its input and output schema."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import msgspec

from coach.errors import SessionError
from coach.session.header import SCHEMA

Fields = dict[str, Any]


class Migration(msgspec.Struct, frozen=True):
    """Turns the header fields of schema ``takes`` into those of schema ``makes``, without changing its argument."""

    takes: int
    makes: int
    what: str
    step: Callable[[Fields], Fields]


def _latency(fields: Fields) -> Fields:
    # before, every receiver counted as a tenth of a second late, and no other feed as late
    return {**fields, "latency_s": 0.1 if fields.get("feed") == "nmea" else 0.0}


MIGRATIONS: Final[tuple[Migration, ...]] = (
    Migration(1, 2, "the latency of the feed, which was not stored, was set to that of its kind", _latency),
)


def migrate(fields: object, path: Path) -> tuple[Fields, tuple[str, ...]]:
    """Return header fields in the present schema, and the changes made; raise SessionError for an unknown schema."""
    if not isinstance(fields, dict):
        raise SessionError(str(path), "expected a session header (a JSON object), found something else")
    schema = fields.get("schema")
    if not isinstance(schema, int) or isinstance(schema, bool) or schema < 1:
        raise SessionError(str(path), f"schema {schema!r} is not a number from 1 to {SCHEMA}")
    if schema > SCHEMA:
        raise SessionError(
            str(path), f"schema {schema} is newer than this program knows (up to {SCHEMA}); update the program"
        )
    done = []
    while schema != SCHEMA:
        found = [m for m in MIGRATIONS if m.takes == schema]
        if not found:
            raise SessionError(str(path), f"schema: expected 1 to {SCHEMA}, found {schema}")
        fields = {**found[0].step(fields), "schema": found[0].makes}
        schema = found[0].makes
        done.append(found[0].what)
    return fields, tuple(done)
