"""One speaker, never late, never two at once, whatever is asked and in whatever order."""

from __future__ import annotations

import random
from itertools import pairwise

import pytest
from core_setup import rule
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.cue.arbiter import CALM_S, CLEAR_S, NEVER, PAUSE_S, Arbiter, Candidate, Verdict
from coach.core.cue.reasons import Reason
from coach.core.track.timing import STARTS_AFTER_S

SPEED_MPS = 50.0


def candidate(name: str, over_s: float, **changes: object) -> Candidate:
    """A cue that must be over its margin before ``over_s`` seconds from the start."""
    words = {"forms": ("a long form of it", "short"), "margin_s": 0.75, "loss_s": 0.0, "opened_s": 0.0, "new": False,
             "safety": False, "priority": 50, "corner": 0}  # fmt: skip
    given = {**words, **changes}
    made = rule(name, priority=given.pop("priority"), safety=given["safety"])
    place = over_s * SPEED_MPS
    return Candidate(made, given.pop("corner"), 1, deadline_m=place, action_m=place, **given)  # type: ignore[arg-type]


def play(candidates: list[Candidate], durations: dict[str, float], quiet: tuple[float, float] = (1e9, 1e9)) -> list[
    tuple[float, Verdict]
]:  # fmt: skip
    """Drive at constant speed past everything, looking when the arbiter asks to; what it decided and when."""
    arbiter = Arbiter(durations)
    waiting = sorted(candidates, key=lambda c: c.opened_s)
    out: list[tuple[float, Verdict]] = []
    now, wake = 0.0, 0.0
    while waiting or arbiter.open:
        while waiting and waiting[0].opened_s <= now:
            arbiter.open.append(waiting.pop(0))
            wake = now
        if arbiter.open and now >= wake:
            may = not quiet[0] <= now < quiet[1]
            verdicts, wake = arbiter.consider(now, lambda place: place / SPEED_MPS, may)
            out += [(now, v) for v in verdicts]
        now += 1 / 60
        assert now < 200.0
    return out


def check(out: list[tuple[float, Verdict]], durations: dict[str, float], count: int) -> None:
    """Everything that must hold of any run."""
    assert count == len(out)
    said = [(t, v) for t, v in out if v.spoken]
    for now, v in said:
        c = v.candidate
        assert v.text in c.forms
        assert v.ends_s == pytest.approx(now + STARTS_AFTER_S + durations[v.text])
        assert v.ends_s <= c.deadline_m / SPEED_MPS - c.margin_s + 1e-9
    for (_, a), (begins, b) in pairwise(said):
        if not (b.candidate.safety and not a.candidate.safety):
            assert begins >= a.ends_s + PAUSE_S - 1e-9


RANDOM_SETS = 10_000


def test_ten_thousand_random_sets_of_candidates() -> None:
    """One speaker, never late, never two at once, each candidate gets exactly one verdict; shuffled sets give the
    same. Each set has 1-6 cues within 12 s, one in six a safety caution (which alone may cut in)."""
    rng = random.Random(2024)
    texts = {"one": 0.5, "two words": 0.9, "three words more": 1.4, "a much longer form of it": 2.8}
    spoken = 0
    for _ in range(RANDOM_SETS):
        some = [
            candidate(
                f"rule{i}", rng.uniform(0.0, 12.0), priority=rng.choice((20, 50, 50, 80)), corner=rng.randrange(3),
                forms=tuple(sorted(rng.sample(sorted(texts), rng.randrange(1, 3)), key=lambda f: -texts[f])),
                margin_s=rng.choice((0.75, 1.25)), loss_s=rng.choice((0.0, 0.1, 0.2)), safety=rng.random() < 1 / 6,
                new=rng.random() < 0.5,
            )
            for i in range(rng.randrange(1, 7))
        ]  # fmt: skip
        arbiter, shuffled = Arbiter(texts), Arbiter(texts)
        arbiter.open = list(some)
        shuffled.open = rng.sample(some, len(some))
        now, wake, out = 0.0, 0.0, []
        while arbiter.open:
            verdicts, wake = arbiter.consider(now, lambda place: place / SPEED_MPS, True)
            again, wake_too = shuffled.consider(now, lambda place: place / SPEED_MPS, True)
            assert verdicts == again
            assert wake == wake_too
            out += [(now, v) for v in verdicts]
            now = max(wake, now + 1 / 60) if wake != NEVER else now + 1 / 60
        check(out, texts, len(some))
        spoken += sum(v.spoken for _, v in out)
    assert spoken > RANDOM_SETS


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(0, 10), st.floats(0, 15), st.integers(0, 3), st.booleans()), max_size=6))
def test_candidates_that_open_while_driving(some: list[tuple[float, float, int, bool]]) -> None:
    """The same holds when they open one after another, and nothing but safety begins in a quiet stretch."""
    durations = {"a long form of it": 1.8, "short": 0.6}
    made = [
        candidate(f"r{i}", over, opened_s=at, priority=20 * p, safety=safe)
        for i, (at, over, p, safe) in enumerate(some)
    ]
    out = play(made, durations, quiet=(4.0, 7.0))
    check(out, durations, len(made))
    for now, v in out:
        assert not (v.spoken and 4.0 <= now < 7.0 and not v.candidate.safety)


def test_the_longest_form_that_fits_is_spoken() -> None:
    """With room the long form, with less the short one, with none nothing: "no room"."""
    durations = {"a long form of it": 2.0, "short": 0.5}
    texts = []
    for over in (4.0, 2.0, 1.0):
        ((_, verdict),) = play([candidate("a", over)], durations)
        texts.append((verdict.spoken, verdict.text, verdict.reason))
    assert [(True, "a long form of it", ""), (True, "short", ""), (False, "short", "no room")] == texts


def test_the_order_is_safety_priority_deadline_loss_name() -> None:
    """Of two that exclude each other the higher in the total order speaks, the other is beaten."""
    durations = {"a long form of it": 2.0, "short": 2.0}
    for better, worse in (
        ({"safety": True, "priority": 10}, {"priority": 90}),
        ({"priority": 60}, {"priority": 50, "loss_s": 9.0}),
        ({"over": 3.5}, {"over": 3.6, "loss_s": 9.0}),
        ({"loss_s": 0.2}, {"loss_s": 0.1}),
        ({"name": "a"}, {"name": "b"}),
    ):
        made = [
            candidate(str(w.pop("name", "m")), float(w.pop("over", 3.5)), forms=("short",), **w)  # type: ignore[arg-type]
            for w in (dict(worse), dict(better))
        ]
        said = [v.candidate for _, v in play(made, durations) if v.spoken]
        assert [made[1]] == said
        assert {"another cue came first"} == {v.reason for _, v in play(made, durations) if not v.spoken}


def test_a_safety_caution_cuts_in_and_is_not_cut_itself() -> None:
    """It begins while another cue is heard; a second one waits for the first."""
    durations = {"a long form of it": 3.0, "short": 0.5}
    out = play(
        [
            candidate("ordinary", 4.5),
            candidate("danger", 3.0, opened_s=1.0, safety=True, forms=("short",)),
            candidate("more danger", 3.5, opened_s=1.1, safety=True, forms=("short",)),
        ],
        durations,
    )
    said = [(v.candidate.rule.name, round(now, 1)) for now, v in out if v.spoken]
    assert ["ordinary", "danger", "more danger"] == [name for name, _ in said]
    assert said[1][1] == 1.0
    assert said[2][1] >= 1.0 + STARTS_AFTER_S + 0.5 + PAUSE_S - 0.05


def test_what_is_new_is_said_earlier_than_what_is_known() -> None:
    """A new message begins up to 8 s before its place and margin, a rehearsed one up to 5 s (Wan, Wu & Zhang 2016:
    4-8 s is best)."""
    durations = {"a long form of it": 2.0, "short": 0.5}
    begins = {}
    for new in (True, False):
        ((now, verdict),) = play([candidate("a", 30.0, new=new, margin_s=1.25 if new else 0.75)], durations)
        assert verdict.spoken
        begins[new] = 30.0 - now
    assert begins[True] == pytest.approx(9.25, abs=0.15)
    assert begins[False] == pytest.approx(5.75, abs=0.15)


def test_a_correction_waits_a_moment_and_is_over_before_another_corner() -> None:
    """It begins CALM_S after the corner before is over; said before another corner it is over CLEAR_S before that one,
    and its margin before its own action, whichever is earlier."""
    durations = {"a long form of it": 2.0, "short": 0.5}
    ((now, _),) = play([candidate("a", 4.0)], durations)
    assert CALM_S == pytest.approx(now, abs=0.02)
    for clear_s, text in ((3.0, "a long form of it"), (2.5, "short")):
        ((_, verdict),) = play([candidate("a", 9.0, margin_s=1.25, new=True, end_by_m=clear_s * SPEED_MPS)], durations)
        assert text == verdict.text
        assert verdict.ends_s <= clear_s - CLEAR_S + 1e-9
    ((_, verdict),) = play([candidate("a", 3.0, margin_s=1.25, end_by_m=2.9 * SPEED_MPS)], durations)
    assert verdict.ends_s <= 3.0 - 1.25 + 1e-9


def test_lost_drops_everything() -> None:
    """Nothing open survives the loss of the car's place."""
    arbiter = Arbiter({})
    arbiter.open = [candidate("a", 5.0), candidate("b", 6.0)]
    assert ["lost", "lost"] == [v.reason for v in arbiter.drop_all(1.0, Reason.LOST)]
    assert [] == arbiter.open
