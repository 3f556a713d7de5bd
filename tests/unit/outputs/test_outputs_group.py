from __future__ import annotations

import io
import math

import pytest
from rich.console import Console

from coach.core.values import Decision, LapDone, View
from coach.outputs.base import Capture, Group
from coach.outputs.console import ConsoleOutput, cue_line, lap_time

VIEW = View(t_s=1.0, state="live")
SPOKEN = Decision(83.4, 2, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
HELD = Decision(83.5, 2, 10.0, "Kettle", "r", "held", "cooldown", "third gear", 2.0, 3.0)
LAP = LapDone(lap=2, t_s=180.0, time_s=92.0446, delta_s=0.318, valid=True)


class Broken:
    """Fails whatever it is asked."""

    def view(self, view: View) -> None:
        """Fail."""
        raise RuntimeError("broken")

    def decision(self, decision: Decision) -> None:
        """Fail."""
        raise RuntimeError("broken")

    def lap(self, lap: LapDone) -> None:
        """Fail."""
        raise RuntimeError("broken")

    def close(self) -> None:
        """Fail."""
        raise RuntimeError("broken")


def test_a_broken_output_touches_neither_engine_nor_others() -> None:
    """Every call reaches the outputs behind a broken one; it is said once and counted."""
    notes: list[str] = []
    before, after = Capture(), Capture()
    group = Group([before, Broken(), after], notes.append)
    group.view(VIEW)
    group.decision(SPOKEN)
    group.lap(LAP)
    group.close()
    for capture in (before, after):
        assert ([VIEW], [SPOKEN], [LAP], True) == (
            capture.views,
            capture.decisions,
            capture.laps,
            capture.closed,
        )
    assert {"Broken": 4} == group.faults
    assert ["Broken failed, the run continues: RuntimeError: broken"] == notes


def test_capture_tells_spoken_from_held_and_can_keep_one_view() -> None:
    """Decisions are sorted by outcome; a long run keeps only the newest view when asked."""
    capture = Capture(keep_views=False)
    for output in (SPOKEN, HELD):
        capture.decision(output)
    capture.view(VIEW)
    capture.view(VIEW)
    assert ([SPOKEN], [HELD], 1) == (capture.spoken, capture.held, len(capture.views))


@pytest.mark.parametrize(
    ("text", "line"), [("late apex", "Kettle: late apex"), ("Kettle, brake later", "Kettle, brake later")]
)
def test_a_cue_names_its_corner_once(text: str, line: str) -> None:
    cue = Decision(83.4, 2, 10.0, "Kettle", "r", "spoken", "", text, 2.0, 3.0)
    assert cue_line(cue).plain.strip() == f"83.4 s  {line}"


def test_console_has_one_line_for_a_lap_and_one_for_a_spoken_cue() -> None:
    """Laps and spoken cues are one line each, held cues and views none; a void lap says why."""
    text = io.StringIO()
    output = ConsoleOutput(Console(file=text, width=40, highlight=False))
    output.view(VIEW)
    output.decision(HELD)
    output.decision(SPOKEN)
    output.lap(LAP)
    output.lap(LapDone(lap=3, t_s=300.0, time_s=99.0, delta_s=math.nan, valid=False, why_invalid="wheels off"))
    output.close()
    assert [
        "     83.4 s  Kettle: late apex",
        "lap   2  1:32.045  +0.318 s",
        "lap   3  1:39.000  does not count: wheels off",
    ] == text.getvalue().splitlines()


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(59.9996, "1:00.000"), (5.0, "0:05.000"), (92.0446, "1:32.045"), (3725.5, "62:05.500"), (math.nan, "-")],
)
def test_lap_time(seconds: float, text: str) -> None:
    """Minutes, seconds, thousandths; rounding carries over."""
    assert text == lap_time(seconds)
