"""Placeholders filled as a driver says them, and never past what is known or safe."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest

from coach.core.cue.information_units import units, words
from coach.core.cue.language import ENGLISH
from coach.core.cue.rules import CueRule
from coach.core.cue.wording import wordings
from coach.core.values import Caution, Corner

CORNER = Corner("T3", "left", 100.0, 200.0, 230.0, 260.0, 290.0, say="turn three", boards_m=(150, 100, 50), gear=2)


def rule(about: str, long: str, short: str = "x", family: str = "correction", **other: object) -> CueRule:
    values = {"name": about, "family": family, "about": about, "slot": "approach", "long": long, "short": short}
    return msgspec.convert(values | other, CueRule)


def said(rule_: CueRule, corner: Corner = CORNER, **known: Any) -> list[tuple[str, str]]:
    return [(w.long, w.short) for w in wordings(rule_, corner, **known)]


@pytest.mark.parametrize(
    ("brake_m", "long", "short"),
    [
        (100.0, "brake at the hundred", "brake at the hundred"),
        (93.0, "brake at the hundred", "brake at the hundred"),
        (90.0, "brake before the hundred", "brake before the hundred"),
        (115.0, "brake after the hundred", "brake after the hundred"),
        (50.0, "brake at the hundred and fifty", "brake at one fifty"),
        (20.0, "", "x"),
        (math.nan, "", "x"),
    ],
)
def test_the_board_is_named_only_where_it_stands(brake_m: float, long: str, short: str) -> None:
    """At a board, a little before or after it; no board is named where none is near or nothing is braked for."""
    corner = msgspec.structs.replace(CORNER, brake_m=brake_m)
    reminder = rule("brake_board", "brake at {board}", "brake at {board}" if long else "x", "reminder")
    assert [(long, short)] == said(reminder, corner)


@pytest.mark.parametrize(
    ("board", "long", "short"),
    [
        (50, "the fifty", "the fifty"),
        (75, "the seventy-five", "the seventy-five"),
        (100, "the hundred", "the hundred"),
        (125, "the hundred and twenty-five", "one twenty-five"),
        (200, "two hundred", "two hundred"),
        (250, "two hundred and fifty", "two fifty"),
        (80, "80", "80"),
    ],
)
def test_boards_have_their_spoken_names(board: float, long: str, short: str) -> None:
    """Common practice, no source: drivers say "the hundred", "the fifty"."""
    assert (long, short) == (ENGLISH.board(board, "long"), ENGLISH.board(board, "short"))


@pytest.mark.parametrize(
    ("fault", "amount", "metres"),
    [
        ("brake_early", 3.0, "five"),
        ("brake_early", 27.0, "five"),
        ("brake_late", 6.0, "ten"),
        ("brake_late", 80.0, "thirty"),
        ("turn_in_late", 9.9, "five"),
        ("turn_in_late", 10.0, "ten"),
        ("exit_narrow", 26.0, "twenty-five"),
        ("throttle_late", -12.0, "five"),
    ],
)
def test_metres_come_in_safe_steps_of_five(fault: str, amount: float, metres: str) -> None:
    """Toward the limit of the car five at most, "earlier" rounded up, all else down."""
    assert [(f"{metres} metres", "x")] == said(rule(fault, "{metres} metres"), amount=amount)


def test_what_is_not_known_is_not_said() -> None:
    """No amount, no gear, no kerb, wrong unit: the form that needs it is empty; without any form no wording."""
    assert [("", "x")] == said(rule("brake_early", "{metres} metres"))
    assert [("", "x")] == said(rule("slow_middle", "{metres} metres"), amount=3.0)
    assert [("", "x")] == said(rule("brake_early", "{tenths}"), cost_s=0.04)
    assert [("two tenths", "x")] == said(rule("brake_early", "{tenths}"), cost_s=0.23)
    bare = msgspec.structs.replace(CORNER, gear=None)
    assert [] == said(rule("gear", "{gear} gear", "{gear} gear", "reminder"), bare)
    assert [("turn three in second gear", "second gear")] == said(
        rule("gear", "{corner} in {gear} gear", "{gear} gear", "reminder")
    )
    assert [] == said(rule("kerb_exit", "{kerb}", "{kerb}", "reminder"))


def test_kerbs_gradient_words_and_cautions() -> None:
    """A driver's kind of knowledge is speakable, each own word and caution apart, with its place."""
    corner = msgspec.structs.replace(
        CORNER,
        kerb_exit="avoid",
        kerb_apex="use",
        words=("release slowly", "throttle where the kerb ends"),
        cautions=(Caution("bump", 190.0, "bump on entry", safety=True), Caution("bump", 250.0, "small bump")),
    )
    assert [("not over the outside kerb", "no outside kerb")] == said(
        rule("kerb_exit", "{kerb}", "{kerb}", "reminder"), corner
    )
    assert [("use the inside kerb",) * 2] == said(rule("kerb_apex", "{kerb}", "{kerb}", "reminder"), corner)
    own = rule("words", "{words}", "{words}", "reminder")
    assert [("release slowly",) * 2, ("throttle where the kerb ends", "")] == said(own, corner)
    slope = rule("gradient", "{words}", "{words}", "reminder")
    assert [] == said(slope, gradient=-0.02)
    assert [("downhill, brake earlier", "downhill braking")] == said(slope, gradient=-0.04)
    assert [("uphill braking", "uphill braking")] == said(slope, gradient=0.04)
    flat = msgspec.structs.replace(CORNER, brake_m=math.nan, boards_m=())
    assert [] == said(slope, flat, gradient=-0.04)
    bump = rule("bump", "{words}", "bump", "caution", safety=True)
    assert [(190.0, True), (250.0, False)] == [(w.at_m, w.safety) for w in wordings(bump, corner)]


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("brake later", 2),
        ("brake at the hundred", 2),
        ("second gear", 1),
        ("late apex", 1),
        ("bump on entry", 2),
        ("not over the outside kerb", 2),
        ("stay mid-track", 2),
        ("release slowly", 2),
        ("throttle where the kerb ends", 2),
        ("downhill, brake earlier", 3),
        ("turn three, brake at the hundred, second gear, late apex", 5),
        ("zig zag zog", 3),
        ("", 0),
    ],
)
def test_units_of_information_are_counted_as_written_down(text: str, count: int) -> None:
    """One action, place, gear, apex kind, quantity, manner or object counts one; unknown words count one each."""
    assert count == len(units(text, ["turn three"]))


def test_words_are_counted() -> None:
    """Hyphened words count once."""
    assert (2, 4) == (words("stay mid-track"), words("brake, at the hundred"))
