"""Reads a session, even with a cut end."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import msgspec

from coach.core.columns import Columns
from coach.core.values import Decision, LapDone, Mark
from coach.errors import SessionError
from coach.session.header import DECISIONS_FILE, EVENTS_FILE, HEADER_FILE, Header, header_of, migrate, write_header
from coach.session.log import read_lines, read_log
from feeds.errors import FeedError
from feeds.frame_stream import FRAME_FILE, FrameStreamReader, FrameStreamWriter

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


LOGGED: Final = frozenset({".csv", ".txt", ".tsv", ".parquet", ".mf4", ".mdf", ".dat", ".gpx"})
"""File name extensions that ``coach import`` accepts."""


class SessionReader:
    """A session folder, or a frame stream file alone (its header is then empty).

    ``header`` is in the current schema, ``migrated`` lists the changes made. Raises SessionError for anything else.
    """

    def __init__(self, path: Path) -> None:
        self.folder = path if path.is_dir() else path.parent
        self.path = path
        self.migrated: tuple[str, ...] = ()
        if path.is_dir():
            if not (path / HEADER_FILE).exists():
                raise SessionError(str(path), f"not a session: it holds no {HEADER_FILE}")
            self.header = self._read_header(path / HEADER_FILE)
        elif path.suffix.lower() in LOGGED and path.exists():
            what = "a CSV" if path.suffix.lower() == ".csv" else "a logged file"
            raise SessionError(str(path), f"{what}; import it first: coach import {path} -o {path.stem}_session")
        elif path.exists():
            self.header = Header(session=path.stem, started_at="", feed="")
        else:
            raise SessionError(str(path), "no such session")
        self._lost_bytes = 0
        self._damaged = 0

    def batches(self, max_frames: int = 4096) -> Iterator[Columns]:
        """Yield the frames in order, at most ``max_frames`` at once; raise SessionError if the stream is unreadable."""
        try:
            reader = FrameStreamReader(self.path)
        except FeedError as error:
            place = self.path / FRAME_FILE if self.path.is_dir() else self.path
            raise SessionError(str(place), str(error).partition(": ")[2] or str(error)) from error
        try:
            for data in reader.batches():
                for start in range(0, data.shape[1], max_frames):
                    yield Columns(data[:, start : start + max_frames])
        finally:
            self._lost_bytes, self._damaged = reader.lost_bytes, reader.damaged
            reader.close()

    def columns(self) -> Columns:
        """Return all frames at once: shape (channels, n)."""
        return Columns.join(list(self.batches()))

    def tail(self) -> str:
        """Return one line about unreadable data, after reading the frames; "" if complete."""
        said = []
        if self._lost_bytes:
            said.append(f"the last {self._lost_bytes} bytes are an unfinished batch and were left out")
        if self._damaged:
            said.append(f"{self._damaged} damaged batches were left out")
        return "; ".join(said)

    def decisions(self) -> list[Decision]:
        """Return the decisions of the live run; none for a frame stream alone."""
        path = self.folder / DECISIONS_FILE
        return read_log(path) if self.path.is_dir() and path.exists() else []

    def events(self) -> list[dict[str, Any]]:
        """Return other events, each with ``kind`` and ``t_s``."""
        path = self.folder / EVENTS_FILE
        if not (self.path.is_dir() and path.exists()):
            return []
        found = []
        for number, line in read_lines(path):
            try:
                found.append(msgspec.json.decode(line, type=dict[str, Any]))
            except (msgspec.MsgspecError, RecursionError) as error:
                raise SessionError(f"{path}:{number}", f"not an event: {error}") from error
        return found

    def laps(self) -> list[LapDone]:
        """Return the finished laps of the live run."""
        found = [event for event in self.events() if event.get("kind") == "lap"]
        try:
            # JSON has no NaN: an unknown delta is null
            return [msgspec.convert({**e, "delta_s": _number(e.get("delta_s"))}, LapDone) for e in found]
        except msgspec.ValidationError as error:
            raise SessionError(str(self.folder / EVENTS_FILE), f"not a lap: {error}") from error

    def marks(self) -> list[Mark]:
        """Return the driver's marks in order of time."""
        found = [event for event in self.events() if event.get("kind") == "mark"]
        try:
            return [msgspec.convert(e, Mark) for e in found]
        except msgspec.ValidationError as error:
            raise SessionError(str(self.folder / EVENTS_FILE), f"not a mark: {error}") from error

    def file(self, name: str) -> Path | None:
        """Return a file stored with the session, such as ``profile.yaml``, or None."""
        path = self.folder / name
        return path if self.path.is_dir() and path.exists() else None

    def _read_header(self, path: Path) -> Header:
        try:
            fields = msgspec.json.decode(path.read_bytes())
        except OSError as error:
            raise SessionError(str(path), f"cannot be read ({error.strerror})") from error
        except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
            raise SessionError(str(path), f"not a session header: {error}") from error
        fresh, self.migrated = migrate(fields, path)
        return header_of(fresh, path)


def _number(value: object) -> object:
    return float("nan") if value is None else value
