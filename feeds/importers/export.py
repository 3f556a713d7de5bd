"""Exports a session as CSV or Parquet for other programs: one row per frame, SI units, the unit in each name."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Floats
from feeds.importers.table import Progress


def export(path: Path, parts: Iterable[Floats], progress: Progress = lambda done, what: None) -> int:
    """Write arrays of shape (channels, n) to ``path`` in the format of its extension (.csv, .parquet); return the
    number of rows.

    Channels without any value are left out; single absent values are empty. Raise FeedError on failure.
    """
    kind = path.suffix.lower()
    if kind not in (".csv", ".parquet"):
        raise FeedFormatError(f"{path}: expected a name ending in .csv or .parquet, found {kind or 'no ending'}")
    progress(0.0, "reading frames")
    whole = np.concatenate([np.empty((len(CHANNELS), 0)), *parts], axis=1)
    columns = {n: row for n, row in zip(CHANNELS, whole, strict=True) if n == "t_s" or np.isfinite(row).any()}
    # absent values are NaN here and empty there
    frame = pa.table({n: pa.array(row, from_pandas=True) for n, row in columns.items()})
    progress(0.5, "writing")
    try:
        if kind == ".csv":
            pa_csv.write_csv(frame, path)
        else:
            pq.write_table(frame, path)
    except (OSError, pa.ArrowException) as error:
        raise FeedOpenError(f"{path}: cannot be written ({error})") from error
    progress(1.0, "done")
    return int(frame.num_rows)
