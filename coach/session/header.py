"""The header of a session: everything except its streams; older headers are migrated."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import msgspec

from coach.errors import SessionError
from coach.files import write_atomically

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


SCHEMA: Final = 2
"""Incremented whenever a stored field changes its name, place or meaning; ``migrate.py`` has the steps."""
HEADER_FILE: Final = "header.json"
DECISIONS_FILE: Final = "decisions.jsonl"
EVENTS_FILE: Final = "events.jsonl"
PROFILE_FILE: Final = "profile.yaml"
REFERENCE_FILE: Final = "reference.arrow"
RULES_FILE: Final = "rules.yaml"
WORDS_FILE: Final = "words.yaml"
"""The language file, stored if the session was not in English."""


class Header(msgspec.Struct, frozen=True, kw_only=True):
    """``started_at`` ISO 8601 with offset. ``voice_durations`` phrase -> seconds in the live run.

    ``rate_hz`` NaN if unknown. ``latency_s`` [s] age of a frame on arrival, as assumed by cues. ``given`` are the frame
    fields the feed provided, ``inferred`` those of them it inferred from others. ``origin_lat_deg``, ``origin_lon_deg``
    of the local plane, NaN without one. ``units`` of spoken distances, a key of ``SYSTEMS``. ``ended`` is set when the
    session is closed properly, with the feed's ``counters``.
    """

    session: str
    started_at: str
    feed: str
    circuit: str = ""
    driver: str = ""
    car: str = ""
    rate_hz: float = math.nan
    real_car: bool = False
    latency_s: float = 0.0
    given: tuple[str, ...] = ()
    inferred: tuple[str, ...] = ()
    origin_lat_deg: float = math.nan
    origin_lon_deg: float = math.nan
    voice_durations: dict[str, float] = {}
    coach_version: str = ""
    options: dict[str, str] = {}
    counters: dict[str, int] = {}
    ended: bool = False
    units: str = "metric"
    schema: int = SCHEMA


def encode_header(header: Header) -> bytes:
    """Return readable JSON; NaN is omitted."""
    fields = msgspec.structs.asdict(header)
    kept = {k: v for k, v in fields.items() if not (isinstance(v, float) and math.isnan(v))}
    return msgspec.json.format(msgspec.json.encode(kept), indent=2)


def write_header(folder: Path, header: Header) -> None:
    """Replace the header of the session ``folder`` atomically. May raise OSError."""
    write_atomically(folder / HEADER_FILE, encode_header(header))


def header_of(fields: object, path: Path) -> Header:
    """Return the header in decoded JSON of the present schema; raise SessionError naming the field."""
    try:
        return msgspec.convert(fields, Header)
    except msgspec.ValidationError as error:
        raise SessionError(str(path), f"not a session header: {error}") from error
