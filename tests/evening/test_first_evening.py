"""The first evening of both users, each from an empty home: what the coach said, and how each command ended."""

from __future__ import annotations

from pathlib import Path

import pytest
from first_evening import simulator_owner, track_day_driver


def test_a_simulator_owner_gets_from_nothing_to_a_coached_lap(tmp_path: Path) -> None:
    """Each mistake is one line with its fix; then one command times laps, makes the profile and coaches."""
    scenes = simulator_owner(tmp_path, print)
    assert 2 == scenes["nothing"].code
    assert scenes["nothing"].has("is the sender on")
    order = scenes["byte order"]
    troubles = [line for line in order.lines if "coach: " in line and (": found" in line or "byte_order" in line)]
    assert 1 == len(troubles), "one line names the cause, not one for each field"
    assert "set byte_order: little" in troubles[0]
    for name in ("text gear", "no time"):
        assert scenes[name].has("no usable data came in")
        assert not scenes[name].has("next: coach survey")
    evening = scenes["evening"]
    assert 0 == evening.code
    said = "\n".join(evening.lines)
    order_of = [
        "listening on 127.0.0.1:", "first packet from 127.0.0.1:", "60 frames a second; missing: wheels_off",
        "2 laps more for a profile", "1 lap more for a profile", "enough laps", "making the profile", "profile made:",
        "coaching begins: Gravel Bowl", "brake five of twenty metres later", "best lap", "next: coach debrief",
    ]  # fmt: skip
    places = [said.find(words) for words in order_of]
    assert -1 not in places, dict(zip(order_of, places, strict=True))
    assert sorted(places) == places
    assert 0 == scenes["debrief"].code
    assert scenes["debrief"].has("newest session: ")
    assert scenes["debrief"].has("brakes")


def test_a_track_day_driver_gets_from_a_log_to_a_coached_lap(tmp_path: Path) -> None:
    """5 Hz is said to be too slow; 10 Hz coaches; another circuit and the other direction are refused by name."""
    scenes = track_day_driver(tmp_path, print)
    assert scenes["slow"].has("5 Hz is too slow")
    evening = scenes["evening"]
    assert evening.has("10 frames a second")
    assert evening.has("profile made:")
    assert evening.has("brake five of twenty metres later")
    assert scenes["debrief"].has("brakes")
    assert scenes["elsewhere"].has("this is not Gravel Bowl")
    assert 2 == scenes["elsewhere debrief"].code
    assert scenes["reversed"].has("this is Gravel Bowl in the reversed direction")
    assert scenes["named"].has("this is not Hollow Ridge")
    assert scenes["named"].has("Gravel Bowl fits: --profile gravel-bowl")
    for name, scene in scenes.items():
        assert not scene.has("Traceback"), name


pytestmark = pytest.mark.timeout(240)
