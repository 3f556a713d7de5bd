"""Entered boards and kerbs: implausible ones are reported, distant ones are not marks."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from profile_examples import PROFILE

from coach.core.cue.rules import CueRule
from coach.core.cue.wording import wordings
from coach.core.track.reference import Reference
from coach.core.track_model import TrackModel
from coach.core.values import Corner
from coach.profile.rule_files import load_rules
from coach.profile.store import board_warnings, load_plan, parse_profile


def corner(name: str, at_m: float, **changes: object) -> Corner:
    made = Corner(name, "left", at_m - 100.0, at_m, at_m + 30.0, at_m + 60.0, at_m + 80.0)
    return msgspec.structs.replace(made, **changes)


def test_a_board_before_the_end_of_the_corner_before_is_doubted() -> None:
    """It would stand in another corner; one on the straight is not doubted, over the line neither."""
    first, second = corner("A", 300.0, boards_m=(150.0, 100.0)), corner("B", 500.0, boards_m=(150.0, 100.0, 50.0))
    said = board_warnings((first, second), 1000.0)
    assert ["B: the board at 150 m lies before the end of A, 120 m before turn-in; look again"] == list(said)
    over_the_line = (corner("A", 100.0, boards_m=(150.0,)), corner("B", 800.0))
    assert () == board_warnings(over_the_line, 1000.0)
    assert 1 == len(board_warnings(over_the_line, 1000.0, closed=False))


def test_the_shipped_profile_has_no_doubts() -> None:
    """Its boards stand on the straights."""
    plan = load_plan("hollow_ridge")
    assert () == board_warnings(plan.corners, plan.reference.length_m)


def test_a_kerb_may_have_a_begin_and_an_end() -> None:
    """They reach the core; a profile without them stays as it was."""
    plain = parse_profile(PROFILE.encode(), "p.yaml").to_corners()[0]
    text = PROFILE.replace("exit: avoid}", "exit: avoid, apex_m: [220, 241.5]}", 1)
    measured = parse_profile(text.encode(), "p.yaml").to_corners()[0]
    assert ((), (220.0, 241.5)) == (plain.kerb_apex_m, measured.kerb_apex_m)


def opening_at(place_m: float) -> Reference:
    """A ring of 1000 m whose throttle is shut from 400 m to ``place_m``."""
    s = np.arange(1000.0)
    nan, zero = np.full(1000, np.nan), np.zeros(1000)
    phi = s / (500.0 / np.pi)
    throttle = np.where((s > 400.0) & (s < place_m), 0.0, 1.0)
    return Reference(
        "ring", True, 1.0, 1000.0, 20.0, s / 50.0, np.cos(phi) * 159.155, np.sin(phi) * 159.155, zero,
        phi + np.pi / 2, np.full(1000, 1 / 159.155), np.full(1000, 50.0), throttle, zero, np.full(1000, 4.0), nan, nan,
    )  # fmt: skip


@pytest.mark.parametrize(("opens_m", "said"), [(541.0, "A, on the power where the kerb ends"), (560.0, "")])
def test_the_kerb_is_named_only_where_the_throttle_opens_at_its_end(opens_m: float, said: str) -> None:
    """Within ten metres of the reference's own throttle it is a mark, else it is not spoken of."""
    there = corner("A", 500.0, kerb_apex_m=(520.0, 540.0))
    ground = TrackModel(opening_at(opens_m), (there,))
    rule = CueRule(
        "late", "correction", "throttle_late", "approach", "{corner}, on the power {metres} metres earlier",
        "power earlier", first=("{corner}, on the power {goal}",),
    )  # fmt: skip
    assert said == wordings(rule, ground.corners[0], amount=8.0)[0].first
    assert said == wordings(rule, ground.zones[0].corner, amount=8.0)[0].first
    avoided = msgspec.structs.replace(ground.corners[0], kerb_apex="avoid")
    assert "" == wordings(rule, avoided, amount=8.0)[0].first


@pytest.mark.parametrize(
    ("about", "kerb", "near", "far", "text"),
    [
        ("turn_in_late", "kerb_entry", (505.0, 520.0), (480.0, 520.0), "A, turn in where the kerb starts"),
        ("exit_narrow", "kerb_exit", (570.0, 610.0), (650.0, 690.0), "A, let it run out until the kerb ends"),
    ],
)
def test_entry_and_exit_kerbs_are_named_only_where_the_reference_uses_them(
    about: str, kerb: str, near: tuple[float, float], far: tuple[float, float], text: str
) -> None:
    """The turn-in within ten metres of the entry kerb's begin, the way out beside the exit kerb; else not a word."""
    (rule,) = (r for r in load_rules("improving").rules if (r.family, r.about) == ("correction", about))
    place = {"kerb_entry": "turn_in_m", "kerb_exit": "exit_m"}[kerb]
    at = {"turn_in_m": 500.0, "exit_m": 600.0}[place]
    said = []
    for stretch in (near, far, ()):
        there = msgspec.structs.replace(corner("A", 540.0), **{place: at, f"{kerb}_m": stretch, kerb: "use"})
        (marked,) = TrackModel(opening_at(560.0), (there,)).corners
        said.append(wordings(rule, marked, amount=2.0)[0].first)
    assert [text, "", ""] == said
