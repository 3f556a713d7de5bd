"""Logged files: reading tables, choosing columns, writing sessions for other programs."""

from __future__ import annotations

from feeds.importers.column_map import ColumnMap, read_column_map, write_column_map, write_draft
from feeds.importers.convert import Imported, convert, read_table
from feeds.importers.export import export
from feeds.importers.guess import Guess, columns_of, guess_columns, map_of, missing
from feeds.importers.not_taken import NotTaken, not_taken
from feeds.importers.table import Table

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
