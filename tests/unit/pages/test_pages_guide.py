from __future__ import annotations

import wave
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markupsafe import escape
from pages_shared import plan

from coach.app.guide.guiding import brake_board, guide_view
from coach.app.guide.sighting import BREATH_S, MARGIN_S, SightingError, sighting_lap, texts_of, write_wav
from coach.core.track.zones import zones
from coach.pages.guide import guide_html


def test_every_corner_has_its_facts() -> None:
    """Brake, gear, lowest speed, apex, throttle, kerbs, cautions and limits of the profile stand in the guide."""
    view = guide_view(plan())
    page = guide_html(view)
    assert [c.name for c in plan().corners] == [c.name for c in view.corners]
    for corner, shown in zip(plan().corners, view.corners, strict=True):
        facts = dict(shown.facts)
        assert {"minimum speed", "apex", "throttle", "full throttle", "gear"} <= facts.keys()
        assert ("brake" in facts) == (corner.brake_m == corner.brake_m)
        assert len(corner.cautions) == len(shown.cautions)
        for caution in corner.cautions:
            assert str(escape(caution.words)) in page
        assert (corner.latest_brake_m == corner.latest_brake_m) == any("latest brake" in x for x in shown.limits)


def test_minimum_speed_is_that_of_the_reference() -> None:
    """The speed in the guide is the least of the reference between turn-in and exit."""
    reference = plan().reference
    for corner, shown in zip(plan().corners, guide_view(plan()).corners, strict=True):
        s = np.arange(corner.turn_in_m - 25.0, corner.exit_m)
        least = float(reference.at("speed_mps", s).min()) * 3.6
        assert least == pytest.approx(float(dict(shown.facts)["minimum speed"].partition(" km/h")[0]), abs=1.0)


def test_cautions_for_a_real_track_come_first() -> None:
    """The guide can be handed to someone with a real car: what can hurt stands before the first corner."""
    page = guide_html(guide_view(plan()))
    assert page.index("closed circuit only") < page.index("corner-1")
    assert "never beyond a limit" in page


def test_no_board_beyond_the_latest_brake_point() -> None:
    """A board that lies past the limit is not named as the place to brake at."""
    corner = msgspec.structs.replace(
        plan().corners[0], brake_m=160.0, turn_in_m=263.0, boards_m=(150.0, 100.0, 50.0), latest_brake_m=161.0
    )
    assert brake_board(corner).startswith("before the hundred")
    free = msgspec.structs.replace(corner, latest_brake_m=180.0)
    assert brake_board(free).startswith("at the hundred")


@settings(max_examples=25)
@given(st.floats(0.1, 1.0), st.floats(0.3, 3.0))
def test_sighting_lap_speaks_in_place(pace: float, seconds: float) -> None:
    """All is said, in order, nothing at once, each corner's words over before its brake point at any pace."""
    durations = dict.fromkeys(texts_of(plan()), seconds)
    lap = sighting_lap(plan(), durations, pace)
    assert texts_of(plan()) == [u.text for u in lap.said]
    for before, after in zip(lap.said, lap.said[1:], strict=False):
        assert after.t_s >= before.t_s + before.seconds + BREATH_S - 1e-6
    quiet = {z.corner.name: z.quiet_m for z in zones(plan().corners, plan().reference.length_m, True)}
    last = {u.corner: u for u in lap.said}
    for corner, u in last.items():
        assert u.s_m <= quiet[corner] + 1.0
    assert lap.lap_s >= plan().reference.lap_time_s / pace - 1e-6
    assert lap.said[-1].t_s + seconds + MARGIN_S <= lap.lap_s + 1e-6


def test_places_of_the_sighting_lap_are_driven_places() -> None:
    """At full pace with short words, the place of each sentence is where the reference is at that time."""
    durations = dict.fromkeys(texts_of(plan()), 0.01)
    lap = sighting_lap(plan(), durations, 0.1)
    for u in lap.said[:3]:
        assert u.t_s * 0.1 == pytest.approx(float(plan().reference.at("t_s", u.s_m)), abs=0.05)


@pytest.mark.parametrize("pace", [0.0, 0.05, 1.5, float("nan")])
def test_a_pace_out_of_range_is_refused(pace: float) -> None:
    """The error names what was found and what is allowed."""
    with pytest.raises(SightingError, match=r"expected 0\.1 to 1"):
        sighting_lap(plan(), {}, pace)


def test_sound_file_holds_each_sentence_at_its_time(tmp_path: Path) -> None:
    """The sound file is as long as the lap, and a sentence's samples lie where they are spoken."""
    durations = dict.fromkeys(texts_of(plan()), 0.5)
    lap = sighting_lap(plan(), durations, 1.0)
    rate = 1000
    write_wav(tmp_path / "lap.wav", lap, lambda _: np.full(rate // 2, 7, "<i2").tobytes(), rate)
    with wave.open(str(tmp_path / "lap.wav"), "rb") as wav:
        samples = np.frombuffer(wav.readframes(wav.getnframes()), "<i2")
        assert lap.lap_s == pytest.approx(wav.getnframes() / rate, abs=0.1)
    for u in lap.said:
        at = int(u.t_s * rate)
        assert 7 == samples[at + 5]
        assert 0 == samples[at - 5]
