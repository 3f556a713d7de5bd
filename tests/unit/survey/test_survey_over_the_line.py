"""Corners at the finish line: rounded places never make the last corner reach into the first."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from bench_circuits import centre_line
from circuit_sets import DEVELOPMENT
from simulated import columns_of

from coach.core.cue.rules import RuleSet
from coach.core.pipeline import Pipeline
from coach.survey.survey import survey
from feeds.practice import Scatter, faultless, simulate
from feeds.practice.circuit import circuit_from_centre_line


def test_a_corner_that_ends_where_the_first_begins_can_be_driven() -> None:
    """On a circuit whose last corner reaches the first one over the line, places keep their order and laps are driven
    through the state machine without an illegal event."""
    base = faultless(circuit_from_centre_line(centre_line(9, DEVELOPMENT[9], 10.0)[::5]))
    columns = columns_of(simulate(base, 5, rate_hz=20.0, seed=0, scatter=Scatter(2.0, 0.3, 0.15)))
    found = survey(columns, circuit="test")
    first, last = found.corners[0], found.corners[-1]
    assert last.end_m > found.reference.length_m, "the circuit no longer shows the case"
    assert last.exit_m <= last.end_m <= first.turn_in_m + found.reference.length_m
    happened = Pipeline(found.reference, found.corners, RuleSet("none", "improving", ())).push_columns(columns)
    assert {p.corner for p in happened.phases if p.event == "zone"} == set(range(len(found.corners)))
