"""Files that feeds read: recordings to import, and packet maps with their raw datagrams."""

from __future__ import annotations

from feeds.importers.column_map import ColumnMap, NotTaken, not_taken, read_column_map, write_column_map, write_draft
from feeds.importers.convert import Imported, convert, export, read_table
from feeds.importers.guess import Guess, columns_of, guess_columns, map_of, missing
from feeds.importers.table import Table
from feeds.packet_map.capture import capture, read_capture, send_capture
from feeds.packet_map.model import PacketMap, read_map
from feeds.packet_map.trial import FieldRow, Trial, trial_answer, try_live

__all__ = [
    "ColumnMap",
    "Guess",
    "Imported",
    "NotTaken",
    "Table",
    "columns_of",
    "convert",
    "export",
    "guess_columns",
    "map_of",
    "missing",
    "not_taken",
    "read_column_map",
    "read_table",
    "write_column_map",
    "write_draft",
]


__all__ = [
    "FieldRow",
    "PacketMap",
    "Trial",
    "capture",
    "read_capture",
    "read_map",
    "send_capture",
    "trial_answer",
    "try_live",
]  # fmt: skip
