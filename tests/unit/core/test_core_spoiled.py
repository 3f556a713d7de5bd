"""What spoils a pass: wheels off, a stop, a way far beside the reference's."""

from __future__ import annotations

import numpy as np
import pytest
from core_setup import pipeline, session

from coach.core.columns import Columns
from coach.core.measure.lap_ledger import invalid_reason
from coach.core.measure.passes import PassRecord
from coach.core.measure.trace import Trace
from coach.core.track.zones import zones
from coach.core.values import Corner
from feeds.frame import CHANNELS

ZONE = zones([Corner("A", "left", 100.0, 150.0, 180.0, 200.0, 220.0)], 500.0, closed=True)[0]


def driven(speed: np.ndarray | None = None, offset: np.ndarray | None = None, wheels: float = 0.0) -> PassRecord:
    """A pass over 0..400 m at 20 m/s on the line, unless it is told otherwise."""
    u = np.arange(401.0)
    v = np.full(len(u), 20.0) if speed is None else speed
    none, zero = np.full(len(u), np.nan), np.zeros(len(u))
    t = np.concatenate([[0.0], np.cumsum(2.0 / (v[1:] + v[:-1]))])
    trace = Trace(u, t, v, none, none, none, zero if offset is None else offset, none, none, none)
    return PassRecord(1, 0, ZONE, trace, (), {"wheels_off": wheels}, {}, True, float("nan"))


def test_a_usual_pass_is_not_spoiled() -> None:
    """On the line, or 8 m beside it all along, or with two wheels off, the pass counts."""
    assert "" == invalid_reason(driven())
    assert "" == invalid_reason(driven(offset=np.full(401, 8.0)))
    assert "" == invalid_reason(driven(wheels=2.0))


def test_each_reason_is_named() -> None:
    """Three wheels off, 15 m beside the line over 30 m, a crawl of 4 s: each spoils the pass, and is named."""
    u = np.arange(401.0)
    assert "off track" == invalid_reason(driven(wheels=3.0))
    assert "off the road" == invalid_reason(driven(offset=np.where((u > 180) & (u < 210), -15.0, 0.0)))
    assert "stopped" == invalid_reason(driven(speed=np.where((u > 180) & (u < 185), 1.0, 20.0)))


@pytest.mark.parametrize(
    ("low", "high", "metres"), [(180, 186, 15.0), (0, 30, 15.0)], ids=["only 6 m long", "before the zone"]
)
def test_a_short_way_beside_the_line_is_none(low: int, high: int, metres: float) -> None:
    """A jump of the position over 6 m, or what was before the zone, spoils nothing."""
    u = np.arange(401.0)
    assert "" == invalid_reason(driven(offset=np.where((u >= low) & (u < high), metres, 0.0)))


def test_a_record_that_begins_slowly_at_the_line_begins_with_an_out_lap() -> None:
    """From a roll over the line the first lap is named out-lap; at speed it counts."""
    whole = session(laps=3)
    line_s = pipeline().push_columns(whole).laps[0].t_s
    columns = whole.part(int(np.searchsorted(whole["t_s"], line_s)), len(whole))
    told = [pipeline().push_columns(columns).laps[0].why_invalid]
    slow = columns.data.copy()
    slow[CHANNELS.index("speed_mps"), :5] *= 0.3
    told.append(pipeline().push_columns(Columns(slow)).laps[0].why_invalid)
    assert ["", "out-lap"] == told
