"""The corner-by-corner guide as one page without scripts, to print or share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from coach.core.unit_system import METRIC
from coach.pages.corner_drawing import CornerMap, CornerTrace
from coach.pages.render import render
from coach.pages.track_map import CornerLabel, TrackMap


@dataclass(frozen=True)
class CornerGuide:
    """One corner: facts as (name, text), cautions, own words and limits as sentences, two drawings."""

    name: str
    subtitle: str
    facts: Sequence[tuple[str, str]]
    cautions: Sequence[str]
    words: Sequence[str]
    limits: Sequence[str]
    map: CornerMap | None
    trace: CornerTrace


@dataclass(frozen=True)
class GuideView:
    """Everything on the page."""

    circuit: str
    facts: Sequence[tuple[str, str]]
    notes: Sequence[str]
    cautions: Sequence[str]
    map: TrackMap
    labels: Sequence[CornerLabel]
    corners: Sequence[CornerGuide]
    speed_unit: str = METRIC.speed


def guide_html(view: GuideView) -> str:
    """Return the whole page as text."""
    return render("guide.html", v=view)
