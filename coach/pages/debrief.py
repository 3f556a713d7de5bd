"""The debrief as one self-contained page: its content, and its HTML."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from coach.pages.grip_use import GripView
from coach.pages.look import dark_pairs
from coach.pages.render import asset, chart_library, embedded, render
from coach.pages.track_map import CornerLabel, TrackMap, TrackPiece


@dataclass(frozen=True)
class GainView:
    """A potential gain at a corner, in words; ``share`` relates its cost to the corner's loss in the table; ``low`` and
    ``high`` bound its stretch of the lap [m].
    """

    corner: str
    cost: str
    what: str
    to_do: str
    seen: str
    share: str
    low: float
    high: float


@dataclass(frozen=True)
class CornerView:
    """Mean losses [s] of a corner: total, then entry, mid-corner, exit, straight; the deviations as text."""

    name: str
    total: float
    parts: tuple[float, ...]
    spread: str
    brake: str
    slowest: str
    bar: float
    low: float
    high: float


@dataclass(frozen=True)
class LapView:
    """One lap; ``delta`` [s] to the reference."""

    lap: int
    time: str
    delta: float
    mark: str


@dataclass(frozen=True)
class LapChoice:
    """A lap to show or hide in the traces."""

    name: str
    text: str
    colour: str
    dash: str
    shown: bool


@dataclass(frozen=True)
class ScatterView:
    """Brake point and minimum speed of every lap of a corner, as chart options and in words."""

    corner: str
    words: str
    described: str
    options: Mapping[str, Any]


@dataclass(frozen=True)
class CueView:
    """A spoken cue and its result."""

    lap: int
    corner: str
    text: str
    kind: str
    answer: str


@dataclass(frozen=True)
class DebriefView:
    """Content of the page; ``chart`` is None without a trace."""

    circuit: str
    subtitle: str
    facts: Sequence[tuple[str, str]]
    notes: Sequence[str]
    gains: Sequence[GainView]
    map: TrackMap
    pieces: Sequence[TrackPiece]
    labels: Sequence[CornerLabel]
    corners: Sequence[CornerView]
    laps: Sequence[LapView]
    chart: Mapping[str, Any] | None
    lap_choices: Sequence[LapChoice]
    scatters: Sequence[ScatterView]
    cues: Sequence[CueView]
    answered: str
    footer: str = field(default="")
    grip: Sequence[GripView] = ()
    grip_summary: str = ""


def debrief_html(view: DebriefView) -> str:
    """Return the whole page as text; raise ChartLibraryError if the chart library is not installed."""
    return render(
        "debrief.html",
        (chart_library(), asset("debrief.js")),
        v=view,
        chart_json=embedded(view.chart),
        dark_json=embedded(dark_pairs()),
        dots_json=embedded([s.options for s in view.scatters]),
    )
