"""A session as CSV or Parquet, for other programs: one row per frame, SI units, the unit in each name."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import polars as pl

from feeds.errors import FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Floats
from feeds.importers.table import Progress


def export(path: Path, parts: Iterable[Floats], progress: Progress = lambda done, what: None) -> int:
    """Write arrays of shape (channels, n) to ``path``, by the end of its name (.csv, .parquet); how many rows.

    Channels that are absent throughout are left out; single absent values are empty. FeedError when it fails.
    """
    kind = path.suffix.lower()
    if kind not in (".csv", ".parquet"):
        raise FeedFormatError(f"{path}: the name ends with {kind or 'nothing'}; allowed .csv or .parquet")
    progress(0.0, "reading frames")
    whole = np.concatenate([np.empty((len(CHANNELS), 0)), *parts], axis=1)
    columns = {n: row for n, row in zip(CHANNELS, whole, strict=True) if n == "t_s" or np.isfinite(row).any()}
    frame = pl.DataFrame({n: pl.Series(n, row) for n, row in columns.items()}).fill_nan(None)
    progress(0.5, "writing")
    try:
        if kind == ".csv":
            frame.write_csv(path)
        else:
            frame.write_parquet(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FeedOpenError(f"{path}: can not be written ({error})") from error
    progress(1.0, "done")
    return frame.height
