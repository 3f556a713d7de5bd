"""Simulates a real link: noise on values, frames lost, duplicated or out of order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from feeds.frame import COUNTS, FLAGS, Floats, Frame


@dataclass(frozen=True)
class Noise:
    """``position_m``, ``speed_mps``: standard deviations; ``loss`` and ``duplicates``: shares of the frames;
    ``reorder``: by how many places a frame may be out of order.
    """

    position_m: float = 0.0
    speed_mps: float = 0.0
    loss: float = 0.0
    duplicates: float = 0.0
    reorder: int = 0


def add_noise(channels: dict[str, Floats], noise: Noise, seed: int) -> tuple[dict[str, Floats], Floats]:
    """Return channels (k,) as received, and the sent number of each frame; deterministic for a seed."""
    rng = np.random.default_rng([seed, 3])
    n = len(channels["t_s"])
    out = {name: values.copy() for name, values in channels.items()}
    for name in ("x_m", "y_m"):
        out[name] += noise.position_m * rng.standard_normal(n)
    out["speed_mps"] = np.maximum(out["speed_mps"] + noise.speed_mps * rng.standard_normal(n), 0.0)
    kept = np.flatnonzero(rng.random(n) >= noise.loss)
    kept = np.repeat(kept, 1 + (rng.random(len(kept)) < noise.duplicates))
    if noise.reorder:
        # a frame may be late by up to ``reorder`` places, no more
        kept = kept[np.argsort(np.arange(len(kept)) + rng.uniform(0.0, noise.reorder, len(kept)), kind="stable")]
    return {name: values[kept] for name, values in out.items()}, kept.astype(np.float64)


def frames_of(
    channels: dict[str, Floats], noise: Noise | None = None, seed: int = 0, first_seq: int = 0
) -> Iterator[Frame]:
    """Yield the frames of the channels in order of arrival; ``seq`` counts in sending order from ``first_seq``."""
    number = np.arange(len(channels["t_s"]), dtype=np.float64)
    if noise is not None:
        channels, number = add_noise(channels, noise, seed)
    names = list(channels)
    columns = [
        c.astype(np.int64).tolist() if n in COUNTS else (c > 0.5).tolist() if n in FLAGS else c.tolist()
        for n, c in channels.items()
    ]
    for row in zip((number + first_seq).astype(np.int64).tolist(), *columns, strict=True):
        yield Frame(seq=row[0], **dict(zip(names, row[1:], strict=True)))
