from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from coach.core.cue.rules import CueRule
from coach.session.answers import Attempt, PassCosts, Said, attempts, choose_wording, share, template_of, wilson

RULE = CueRule(
    name="brake_early",
    family="correction",
    about="brake_early",
    slot="approach",
    long="{corner}, brake {metres} metres later",
    short="brake later",
    alternatives=("deeper, then brake", "hold the throttle longer"),
)


def said(
    lap: int, *, spoken: bool = True, template: str = "brake later", session: int = 1, before: bool = True
) -> Said:
    return Said(session, lap, "Quarry", "brake_early", "brake_early", template, spoken, before)


def passes(costs: list[float], session: int = 1) -> list[PassCosts]:
    """Passes of laps 1, 2, ...; a cost of 0 is a pass without the fault."""
    return [PassCosts(session, i, "Quarry", {"brake_early": c} if c else {}) for i, c in enumerate(costs, 1)]


def tried(worked: int, failed: int, template: str) -> list[Attempt]:
    one = said(4, template=template)
    return [Attempt(one, 0.2, 0.0, 3, 3, 3, 0)] * worked + [Attempt(one, 0.2, 0.2, 3, 3, 3, 3)] * failed


@pytest.mark.parametrize(
    ("worked", "of", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_interval_is_the_published_one(worked: int, of: int, low: float, high: float) -> None:
    """Newcombe 1998, Statistics in Medicine 17:857, table I, Wilson's score (values from memory)."""
    assert (low, high) == pytest.approx(wilson(worked, of), abs=6e-5)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_interval_is_that_of_scipy(case: tuple[int, int]) -> None:
    """The interval is the one scipy.stats computes."""
    expected = binomtest(*case).proportion_ci(0.95, method="wilson")
    assert (expected.low, expected.high) == pytest.approx(wilson(*case), abs=1e-12)


def test_a_cue_that_is_followed_by_good_passes_worked() -> None:
    """Three passes with the fault, a cue, then three without: answered, and the cost is gone."""
    (found,) = attempts([said(4)], passes([0.2, 0.2, 0.2, 0.0, 0.0, 0.0, 0.2]))
    assert found.worked
    assert (0.2, 0.0) == pytest.approx((found.before_s, found.after_s))
    assert (3, 3, 3, 0) == (found.passes_before, found.passes_after, found.seen_before, found.seen_after)


def test_a_fault_that_stays_did_not_work() -> None:
    """The fault comes in every pass after it too."""
    (found,) = attempts([said(4)], passes([0.2] * 7))
    assert not found.worked


def test_repeated_cues_are_one_attempt() -> None:
    """A cue in laps 4, 5 and 6 is one attempt; the next begins with passes that it does not share."""
    found = attempts([said(4), said(5), said(6), said(9)], passes([0.2] * 12))
    assert [4, 9] == [a.said.lap for a in found]


def test_a_cue_after_the_corner_counts_from_the_next_pass() -> None:
    """A cue right after the exit cannot have changed its own pass."""
    (found,) = attempts([said(3, before=False)], passes([0.2, 0.2, 0.2, 0.0]))
    assert (3, 1) == (found.passes_before, found.passes_after)
    assert found.worked


def test_held_back_counts_only_where_nothing_was_said_nearby() -> None:
    """The comparison without words leaves out passes in which the same thing was spoken about."""
    held = [said(lap, spoken=False) for lap in (4, 12)]
    found = attempts([said(5), *held], passes([0.2] * 16))
    assert [(5, True), (12, False)] == [(a.said.lap, a.said.spoken) for a in found]


def test_sessions_are_kept_apart() -> None:
    """The passes of one session say nothing about a cue of another."""
    assert [] == attempts([said(4, session=2)], passes([0.2] * 7, session=1))


def test_share_of_nothing_is_open() -> None:
    """Without an attempt the interval is the whole range."""
    assert (0, 0, 0.0, 1.0) == (share([]).worked, share([]).of, share([]).low, share([]).high)


def test_template_is_found_from_the_text() -> None:
    """A filled text leads back to the wording it came from, blanks and all."""
    assert RULE.long == template_of(RULE, "Quarry, brake five metres later")
    assert "brake later" == template_of(RULE, "brake later")
    assert "" == template_of(RULE, "something else")


def test_usual_words_stay_while_nothing_speaks_against_them() -> None:
    """Without attempts, and after three in vain, the short form stays: three are not enough to judge."""
    assert "brake later" == choose_wording(RULE, "Quarry", []).template
    assert "brake later" == choose_wording(RULE, "Quarry", tried(0, 3, "brake later")).template


def test_a_wording_that_never_works_is_replaced() -> None:
    """After four attempts in vain the first alternative is used, and it says so."""
    chosen = choose_wording(RULE, "Quarry", tried(0, 4, "brake later"))
    assert "deeper, then brake" == chosen.template
    assert ("brake later",) == chosen.given_up
    assert "0 times in 4" in chosen.why


def test_the_long_form_counts_for_the_short_one() -> None:
    """Both say the same: what the long form did in vain is not tried again short."""
    mixed = [*tried(0, 2, "brake later"), *tried(0, 2, RULE.long)]
    assert "deeper, then brake" == choose_wording(RULE, "Quarry", mixed).template


def test_when_all_fail_the_best_is_used() -> None:
    """No wording works: the one that did best, with no pretence."""
    bad = [*tried(0, 9, "brake later"), *tried(1, 14, "deeper, then brake"), *tried(0, 7, "hold the throttle longer")]
    chosen = choose_wording(RULE, "Quarry", bad)
    assert 3 == len(chosen.given_up)
    assert chosen.template in (RULE.short, *RULE.alternatives)
    assert "no wording has worked" in chosen.why
