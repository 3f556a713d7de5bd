"""Driver aids and steering corrections over a session, in data and in words."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from typer.testing import CliRunner

from coach.app.review.controls import control_lines, controls_of
from coach.cli.root import make_app
from coach.core.values import Corner, Pass

SAMPLES = Path(__file__).parents[3] / "replay_samples"
CORNERS = (
    Corner("Ford", "left", 100.0, 150.0, 200.0, 240.0, 260.0),
    Corner("Weir", "right", 400.0, 450.0, 500.0, 540.0, 560.0, more_apexes_m=(520.0,)),
)


def driven(corner: int, lap: int, **measures: float) -> Pass:
    """A valid pass with these measures."""
    return Pass(lap, corner, 0.0, 0.0, 0.0, 0.0, 0.0, measures, {})


@pytest.mark.parametrize(("often", "line"), [(5, ["Ford: anti-lock in 5 of 10 passes"]), (4, []), (0, [])])
def test_an_aid_is_named_where_it_intervenes_in_half_of_the_passes(often: int, line: list[str]) -> None:
    """At exactly half of the passes the line appears, below it does not; the counts are there in any case."""
    passes = [driven(0, lap, anti_lock_hits=float(lap <= often)) for lap in range(1, 11)]
    (one,) = controls_of(passes, CORNERS)
    assert (10, often, None, None) == (one.of, one.anti_lock, one.traction_control, one.corrected)
    assert line == list(control_lines([one]))


@pytest.mark.parametrize(("number", "rows"), [(3, 0), (4, 1)])
def test_few_passes_say_nothing(number: int, rows: int) -> None:
    """Three passes are too few, four are enough."""
    assert rows == len(controls_of([driven(0, lap, anti_lock_hits=1.0) for lap in range(number)], CORNERS))


@pytest.mark.parametrize(("reversals", "lines"), [(1.0, 0), (2.0, 1)])
def test_a_steering_correction_is_two_reversals(reversals: float, lines: int) -> None:
    """Away from the corner and back; one reversal more than the corner's own is no correction."""
    passes = [driven(0, lap, corrections=reversals) for lap in range(4)]
    assert lines == len(control_lines(controls_of(passes, CORNERS)))


def test_several_apexes_and_absent_channels_give_nothing() -> None:
    """A corner of two apexes has reversals of its own; without channels there is no row."""
    assert () == controls_of([driven(1, lap, corrections=4.0) for lap in range(4)], CORNERS)
    assert () == controls_of([driven(0, lap) for lap in range(4)], CORNERS)


def test_the_debrief_shows_them_in_words_and_as_data(tmp_path: Path) -> None:
    """The terminal, the JSON and the page of a sample name the corner where anti-lock intervenes in every pass."""
    sample, page = str(SAMPLES / "race"), tmp_path / "debrief.html"
    line = "Sluice In: anti-lock in 4 of 4 passes"
    runner, app = CliRunner(), make_app("debrief")
    shown = runner.invoke(app, ["debrief", sample, "--no-keep"])
    assert line in shown.output
    data = msgspec.json.decode(runner.invoke(app, ["debrief", sample, "--no-keep", "--json"]).stdout)
    assert (4, 4) in [(one["of"], one["anti_lock"]) for one in data["controls"] if one["corner"] == "Sluice In"]
    runner.invoke(app, ["debrief", sample, "--no-keep", "--html", str(page)])
    assert line in page.read_text(encoding="utf-8")
