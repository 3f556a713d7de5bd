from __future__ import annotations

import io
import threading
import time

import pytest
from rich.console import Console

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.bus.publisher import BusOutput
from coach.outputs.bus.table import Bye
from coach.outputs.latency import figure
from coach.outputs.overlay.settings import Settings
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.watch import Sheet, run_watch

pytest_plugins = ["outputs_display"]

VIEW = View(
    t_s=1.0,
    state="live",
    lap=3,
    speed_mps=50.0,
    delta_s=-0.24,
    predicted_s=92.1,
    next_corner="Kettle",
    to_brake_m=131.0,
)
CUE = Decision(83.4, 2, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
LAP = LapDone(lap=2, t_s=180.0, time_s=92.0446, delta_s=0.318, valid=True)


def text(sheet: Sheet) -> list[str]:
    out = io.StringIO()
    Console(file=out, width=100, highlight=False).print(sheet.lines())
    return [line.rstrip() for line in out.getvalue().splitlines() if line.strip()]


def test_sheet_shows_state_laps_and_cues() -> None:
    """One line of state, then the last laps, then the last spoken cues."""
    sheet = Sheet("tcp://127.0.0.1:5", lambda: 10.0)
    for message in (VIEW, LAP, CUE):
        sheet.take(message)
    assert [
        "lap 3  −0.24 s  heading for 1:32.100  180 km/h  Kettle 140 m",
        "lap   2  1:32.045  +0.318 s",
        "     83.4 s  Kettle: late apex",
    ] == text(sheet)


@pytest.mark.parametrize(
    ("view", "line"),
    [
        (None, "no answer from tcp://127.0.0.1:5"),
        (View(t_s=1.0, state="waiting"), "no data"),
        (View(t_s=1.0, state="lost"), "position lost"),
        (View(t_s=1.0, state="pit"), "in the pits"),
        (View(t_s=1.0, state="live", lap=1), "lap 1  first lap"),
    ],
)
def test_every_state_has_its_words(view: View | None, line: str) -> None:
    """The helper reads the same words as the driver."""
    sheet = Sheet("tcp://127.0.0.1:5", lambda: 10.0)
    if view is not None:
        sheet.take(view)
    assert [line] == text(sheet)


def test_silence_is_shown_and_the_end_is_kept() -> None:
    """After two seconds without a word the sheet says so; the run's end is told."""
    now = [10.0]
    sheet = Sheet("tcp://127.0.0.1:5", lambda: now[0])
    sheet.take(VIEW)
    now[0] = 12.5
    assert "no answer from" in text(sheet)[0]
    sheet.take(Bye("the run ended"))
    assert "the run ended" == sheet.ended


def test_a_watch_follows_a_run_to_its_end() -> None:
    """On the terminal: what the run publishes is shown, and the watch ends with the run."""
    bus = BusOutput()
    out = io.StringIO()
    said: list[str] = []
    watch = threading.Thread(
        target=lambda: said.append(run_watch(bus.address, console=Console(file=out, width=100, force_terminal=False)))
    )
    watch.start()
    deadline = time.monotonic() + 10
    while watch.is_alive() and time.monotonic() < deadline:
        bus.view(VIEW)
        bus.lap(LAP)
        if "1:32.045" in out.getvalue() or time.monotonic() > deadline - 8:
            break
        time.sleep(0.05)
    bus.close()
    watch.join(timeout=10)
    assert ["the run ended"] == said
    assert "1:32.045" in out.getvalue()


@pytest.mark.display
def test_a_watch_shows_the_same_overlay(display: str) -> None:
    """As a window: opened, fed, and gone when the run ends."""
    bus = BusOutput()
    stop = threading.Event()
    said: list[str] = []
    watch = threading.Thread(
        target=lambda: said.append(
            run_watch(bus.address, show="overlay", settings=Settings(x=1, y=1), stop=stop.is_set)
        )
    )
    watch.start()
    until = time.monotonic() + 0.8
    while time.monotonic() < until:  # the watch joins meanwhile
        bus.view(VIEW)
        time.sleep(0.05)
    bus.close()
    watch.join(timeout=10)
    stop.set()
    assert ["the run ended"] == said


def test_a_watch_elsewhere_needs_keys() -> None:
    """Another machine without keys is refused before anything is opened."""
    with pytest.raises(OutputError, match="needs keys"):
        run_watch("tcp://192.0.2.7:5555")


def test_figures() -> None:
    """Median, 95th percentile and most, in milliseconds; none measured is no number."""
    one = figure("x", [i / 1000 for i in range(1, 101)], "how")
    assert (50.5, 95.05, 100.0, 100) == pytest.approx((one.median_ms, one.p95_ms, one.most_ms, one.n))
    assert 0 == figure("x", [], "how").n


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (VoiceOptions(rate_wpm=300), "expected 120 to 200"),
        (VoiceOptions(volume=1.5), "speech volume: expected 0 to 1, found 1.5"),
        (VoiceOptions(buffer=300), "found 300 samples"),
    ],
)
def test_voice_options_that_are_not_allowed(options: VoiceOptions, said: str) -> None:
    """Each wrong option is named with what is allowed."""
    with pytest.raises(OutputError, match=said):
        options.checked()
