"""Joins the sentences of one epoch into a frame as soon as every kind the receiver sends has arrived."""

from __future__ import annotations

import math
from collections import deque
from typing import Final

import msgspec

from feeds.counters import Counters
from feeds.frame import Frame
from feeds.nmea.sentences import Sentence
from feeds.plane import Plane

_DAY_S: Final = 86_400.0
_LEARN: Final = 8


class Quality(msgspec.Struct, frozen=True):
    """Least quality of an accepted fix. A dilution above 4 moves the car by metres (common practice, no source)."""

    min_satellites: int = 5
    max_dilution: float = 4.0


class Epochs:
    """Push sentences in order of arrival; frame times are seconds since the first epoch.

    ``plane`` is the given one, or one around the first good fix.
    """

    def __init__(self, counters: Counters, quality: Quality, plane: Plane | None) -> None:
        self.plane = plane
        self._counters = counters
        self._quality = quality
        self._parts: list[Sentence] = []
        self._time_s = math.nan
        self._done = True
        self._past: deque[frozenset[str]] = deque(maxlen=_LEARN)
        self._expected: frozenset[str] = frozenset()
        self._has_rmc = False
        self._start_s = math.nan
        self._days_s = 0.0
        self._last_s = math.nan

    def push(self, sentence: Sentence) -> list[Frame]:
        """Return the frames this sentence completes."""
        out: list[Frame] = []
        time_s = sentence.time_s
        if sentence.kind == "RMC":
            self._has_rmc = True
        elif sentence.kind == "VTG" and self._has_rmc:
            return out  # RMC also holds the speed, with more digits and its own time
        if time_s == time_s and time_s != self._time_s:
            out += self.finish()
            if self._done and any(p.time_s == p.time_s for p in self._parts):
                self._parts = []
            self._time_s, self._done = time_s, False
        elif time_s != time_s and self._done:
            # it has no time and follows a finished frame: it precedes the sentences it belongs to
            self._parts = [*(p for p in self._parts if p.time_s != p.time_s and p.kind != sentence.kind), sentence]
            return out
        elif self._done:
            # its epoch is finished: wait for this kind from now on
            if self._past:
                self._past[-1] |= {sentence.kind}
                self._expect()
            return out
        self._parts.append(sentence)
        if self._expected and self._expected <= {p.kind for p in self._parts}:
            out += self.finish()
        return out

    def finish(self) -> list[Frame]:
        """Finish the open epoch; return its frame unless the fix is poor."""
        if self._done or not self._parts:
            return []
        parts, self._parts, self._done = self._parts, [], True
        self._past.append(frozenset(p.kind for p in parts))
        self._expect()
        frame = self._frame(parts)
        if frame is None:
            self._counters.add("poor_fix")
            return []
        return [frame]

    def _expect(self) -> None:
        if len(self._past) < 2:
            return
        kinds = {kind for seen in self._past for kind in seen}
        self._expected = frozenset(k for k in kinds if 2 * sum(k in seen for seen in self._past) > len(self._past))

    def _frame(self, parts: list[Sentence]) -> Frame | None:
        rank = {"GNS": 0, "GGA": 1, "RMC": 2, "VTG": 3}
        parts = sorted(parts, key=lambda p: rank[p.kind])
        placed = [p for p in parts if p.lat_deg == p.lat_deg and p.lon_deg == p.lon_deg]
        if not placed or not all(p.good for p in parts):
            return None
        for part in parts:
            if part.satellites is not None and part.satellites < self._quality.min_satellites:
                return None
            if part.dilution > self._quality.max_dilution:
                return None
        lat, lon = placed[0].lat_deg, placed[0].lon_deg
        if not (-90.0 <= lat <= 90.0 and -180.0 <= lon <= 180.0):
            return None
        if self.plane is None:
            self.plane = Plane(lat, lon)
        x, y = self.plane.to_xy(lat, lon)
        speeds = [p.speed_mps for p in parts if p.speed_mps == p.speed_mps]
        heights = [p.height_m for p in parts if p.height_m == p.height_m]
        return Frame(
            self._session_time(self._time_s),
            x_m=x,
            y_m=y,
            z_m=heights[0] if heights else math.nan,
            lat_deg=lat,
            lon_deg=lon,
            speed_mps=speeds[0] if speeds else math.nan,
        )

    def _session_time(self, time_s: float) -> float:
        if self._start_s != self._start_s:
            self._start_s = time_s
        elif time_s < self._last_s - _DAY_S / 2:
            self._days_s += _DAY_S
        elif time_s > self._last_s + _DAY_S / 2:
            self._days_s -= _DAY_S  # a late sentence from before midnight
        self._last_s = time_s
        # receivers give thousandths at best
        return round(self._days_s + time_s - self._start_s, 4)
