"""The state machine drives every accepted profile: random corners at the edges of the allowed."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from coach.core.columns import Columns
from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.core.track.reference import Reference
from coach.profile.models import ProfileModel

LENGTH_M = 1000
SPEED_MPS = 50.0


def circle() -> Reference:
    s = np.arange(LENGTH_M, dtype=float)
    radius = LENGTH_M / (2 * math.pi)
    nan = np.full(LENGTH_M, math.nan)
    return Reference(
        "circle", True, 1.0, float(LENGTH_M), LENGTH_M / SPEED_MPS, s / SPEED_MPS,
        radius * np.cos(s / radius), radius * np.sin(s / radius), nan, s / radius + math.pi / 2,
        np.full(LENGTH_M, 1 / radius), np.full(LENGTH_M, SPEED_MPS), nan, nan, nan, nan, nan,
    )  # fmt: skip


def laps(n: int, rate_hz: float = 10.0) -> Columns:
    """Frames of ``n`` laps at constant speed, the brake used now and then."""
    t = np.arange(0.0, n * LENGTH_M / SPEED_MPS, 1 / rate_hz)
    radius = LENGTH_M / (2 * math.pi)
    out = Columns.empty(len(t))
    out["t_s"][:] = t
    out["x_m"][:], out["y_m"][:] = radius * np.cos(t * SPEED_MPS / radius), radius * np.sin(t * SPEED_MPS / radius)
    out["speed_mps"][:] = SPEED_MPS
    out["brake"][:] = np.where(np.floor(t * 1.7) % 3 == 0, 0.5, 0.0)
    return out


REFERENCE, FRAMES = circle(), laps(3)

# steps of 0 are the edges: places that coincide, corners that touch
steps = st.lists(st.sampled_from([0.0, 0.0, 0.1, 1.0, 30.0, 90.0]), min_size=5, max_size=5)


@settings(max_examples=150)
@given(st.lists(st.tuples(steps, st.booleans()), min_size=1, max_size=5), st.sampled_from([0.0, 0.1, 40.0, 700.0]))
def test_an_accepted_profile_can_be_driven(corners: list[tuple[list[float], bool]], first_m: float) -> None:
    """Whatever profile is accepted, three laps raise nothing and each lap enters and leaves every corner."""
    at, rows = first_m, []
    for i, (gaps, braked) in enumerate(corners):
        places = [round(at + sum(gaps[: k + 1]), 1) for k in range(5)]
        row = dict(zip(("brake_m", "turn_in_m", "apex_m", "exit_m", "end_m"), places, strict=True))
        rows.append({"name": f"C{i}", "direction": "left", **row, "brake_m": row["brake_m"] if braked else None})
        at = places[-1]
    try:
        model = ProfileModel.model_validate(
            {"schema": 1, "circuit": "circle", "length_m": float(LENGTH_M), "corners": rows}
        )
    except ValidationError:
        return
    pipeline = Pipeline(REFERENCE, model.to_corners(), RuleSet("none", "improving", ()))
    happened = pipeline.push_columns(FRAMES)
    entered = [p.corner for p in happened.phases if p.event == "zone"]
    assert set(range(len(rows))) == set(entered)
