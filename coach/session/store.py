"""Stores a whole session at once: for imports and tools, without a live run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

import msgspec

from coach.core.columns import Columns
from coach.core.values import LapDone
from coach.errors import SessionError
from coach.session.header import DECISIONS_FILE, EVENTS_FILE, Header, write_header
from feeds.frame_stream import FRAME_FILE, FrameStreamWriter

_BATCH: Final = 4096


def store(
    folder: Path,
    header: Header,
    columns: Columns,
    laps: Iterable[LapDone] = (),
    copies: Mapping[str, Path | bytes] | None = None,
) -> None:
    """Write a complete session folder; raise SessionError if it cannot be created or holds a session already."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, source in (copies or {}).items():
            (folder / name).write_bytes(source if isinstance(source, bytes) else source.read_bytes())
        stream = FrameStreamWriter(folder / FRAME_FILE)
        try:
            for start in range(0, len(columns), _BATCH):
                stream.write(columns.data[:, start : start + _BATCH])
        finally:
            stream.close()
        lines = [msgspec.json.encode({"kind": "lap", **msgspec.structs.asdict(lap)}) + b"\n" for lap in laps]
        (folder / EVENTS_FILE).write_bytes(b"".join(lines))
        (folder / DECISIONS_FILE).write_bytes(b"")
        write_header(folder, msgspec.structs.replace(header, ended=True))
    except FileExistsError as error:
        raise SessionError(str(folder), "holds a session already; choose a new folder") from error
    except OSError as error:
        raise SessionError(str(folder), f"the session cannot be stored here ({error.strerror})") from error
