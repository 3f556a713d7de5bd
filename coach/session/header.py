"""The header of a session: everything except its streams."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import msgspec

from coach.errors import SessionError
from coach.files import write_atomically

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
