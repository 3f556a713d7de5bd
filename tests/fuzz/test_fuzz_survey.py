"""Any recording: a survey or a clear error, never a crash and never a warning."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit" / "survey"))

from survey_tracks import circuit, drive

from coach.core.columns import Columns
from coach.errors import CoachError
from coach.survey import survey

NAMES = ("x_m", "y_m", "z_m", "lap_distance_m", "lap", "speed_mps", "throttle", "brake", "gear")


@pytest.mark.parametrize("seed", range(40))
def test_spoiled_recordings(seed: int) -> None:
    """Channels absent, zero, full of holes, spikes and infinities, frames missing or shuffled: survey or CoachError."""
    rng = np.random.default_rng(seed)
    c = Columns(drive(circuit("long"), laps=2, rate=20.0).columns.data.copy())
    for name in NAMES:
        draw = rng.random()
        some = rng.random(len(c))
        if draw < 0.25:
            c[name][:] = np.nan
        elif draw < 0.35:
            c[name][some < 0.3] = np.nan
        elif draw < 0.42:
            c[name][:] = 0.0
        elif draw < 0.45:
            c[name][some < 0.01] = 1e9
        elif draw < 0.47:
            c[name][some < 0.01] = np.inf
    if rng.random() < 0.2:
        c["t_s"][rng.random(len(c)) < 0.05] = np.nan
    if rng.random() < 0.2:
        c = c.part(*sorted(int(k) for k in rng.integers(0, len(c), 2)))
    if rng.random() < 0.1:
        c = Columns(c.data[:, rng.permutation(len(c))])
    try:
        s = survey(c)
    except CoachError as error:
        message = str(error)
    else:
        message = "none"
        assert np.isfinite(s.reference.t_s).all()
        assert np.all(np.diff(s.reference.t_s) >= 0)
        assert np.isfinite(s.reference.speed_mps).all()
    assert message
    assert "\n" not in message
