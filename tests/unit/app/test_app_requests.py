"""Buttons in a run: asked, answered, recorded, and the replay of the record gives the same log line for line."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.app.engine import Engine
from coach.app.live.buttons import Buttons
from coach.app.live.drive import drive
from coach.app.live.drive_options import DriveOptions, OutputOptions
from coach.app.live.requests import CUE_SETS, SOFTEST, Requests, sound
from coach.app.replay.replaying import replay_session
from coach.app.rerun.plan_changes import changes_of
from coach.app.setup import Known, Setup
from coach.app.sources import FeedOptions
from coach.core.cue.tones import ToneOptions
from coach.core.pipeline import Pipeline
from coach.errors import SessionError
from coach.inputs.bindings import Binding, Bindings, Function, save
from coach.outputs.base import Capture
from coach.profile.rule_files import load_rules, rule_paths
from coach.profile.store import load_plan
from coach.session.header import PROFILE_FILE, RULES_FILE, Header
from coach.session.log import decision_line
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.practice import FaultPlan, Habit, hollow_ridge, simulate

PROFILE = rule_paths()["ask"].parents[1] / "hollow_ridge" / "profile.yaml"


class Fingers:
    """Presses by a plan: what is pressed before the frame of each number."""

    def __init__(self, plan: dict[int, list[Function]]) -> None:
        self.plan = dict(plan)
        self.frames = 0

    def pressed(self) -> list[Function]:
        """Pending items."""
        due = [n for n in sorted(self.plan) if n <= self.frames]
        return [function for n in due for function in self.plan.pop(n)]


class Given:
    """Gives frames in batches of uneven size, and tells the fingers how far it is."""

    def __init__(self, frames: list[Frame], fingers: Fingers) -> None:
        self.left, self.fingers, self.turn = frames, fingers, 0

    def read_many(self, max_frames: int, timeout_s: float) -> list[Frame]:
        """The next batch, sometimes none."""
        if not self.left:
            raise FeedEnded("all given")
        self.turn += 1
        n = (0, 1, 3, 2, 7)[self.turn % 5]
        batch, self.left = self.left[:n], self.left[n:]
        self.fingers.frames += len(batch)
        return batch


def run(folder: Path, plan: dict[int, list[Function]], rules: str = "ask", tones: ToneOptions | None = None) -> Capture:
    """Two laps with faults by these rules, recorded in ``folder``."""
    circuit = load_plan(PROFILE)
    setup = Setup(circuit.circuit, circuit.reference, circuit.corners, load_rules(rules), known=Known())
    reference = PROFILE.parent / "reference.arrow"
    copies: dict[str, Path | bytes] = {
        PROFILE_FILE: PROFILE, "reference.arrow": reference, RULES_FILE: rule_paths()[rules],
    }  # fmt: skip
    writer = SessionWriter(folder, Header(session="x", started_at="", feed="test"), copies)
    faults = FaultPlan((Habit("Quarry", "brake_early", 20.0), Habit("Cauldron", "slow_middle", 3.0)))
    frames = list(simulate(hollow_ridge(), 2, rate_hz=20.0, seed=2, faults=faults).frames())
    fingers, capture, pipeline = Fingers(plan), Capture(keep_views=False), setup.pipeline()
    sound(tones or ToneOptions(), pipeline, writer)
    requests = Requests(
        fingers, pipeline, writer, lambda _: None, rules=rules, volume=1.0,
        set_volume=lambda _: None, choose_rules=lambda _: None,
    )  # fmt: skip
    engine = Engine(Given(frames, fingers), pipeline, capture, writer, FeedEnded, asked=requests.take)
    engine.run(lambda: False)
    writer.close()
    return capture


ASKED: dict[int, list[Function]] = {
    0: ["mark"], 400: ["repeat"], 700: ["last_corner", "mark"], 1100: ["last_corner"], 1600: ["quiet_lap"],
    2000: ["mark", "repeat", "last_corner"], 2400: ["last_corner"],
}  # fmt: skip


@pytest.mark.parametrize(("rules", "kinds"), [("ask", ()), ("improving", ("count", "release", "delta"))])
def test_a_run_with_buttons_is_replayed_with_them(tmp_path: Path, rules: str, kinds: tuple[str, ...]) -> None:
    """Requests and tones are kept with their frame: the replay's log is the live one, line for line; under other rules
    the requests apply too; marks are read back.
    """
    live = run(tmp_path / "s", ASKED, rules, ToneOptions(kinds))  # type: ignore[arg-type]
    lines = [decision_line(d) for d in live.decisions]
    reader = SessionReader(tmp_path / "s")
    assert lines == [decision_line(d) for d in reader.decisions()]
    assert lines == [
        decision_line(d) for d in replay_session(tmp_path / "s", "max", None, None, None, False, False).decisions
    ]
    assert 10 + bool(kinds) == len(changes_of(reader))
    assert any('"slot":"asked"' in line and '"outcome":"spoken"' in line for line in lines)
    assert bool(kinds) == any(d.outcome == "sounded" for d in live.decisions)
    assert ["mark 1", "mark 2"] == [m.name for m in reader.marks()]
    other = replay_session(tmp_path / "s", "max", None, "race", None, False, False).decisions
    assert any(d.slot == "asked" for d in other)


def test_nothing_but_what_can_hurt_is_said_unless_asked(tmp_path: Path) -> None:
    """By the rule set ask: with no button pressed only safety cautions; pressed, one thing a press."""
    plain = run(tmp_path / "plain", {})
    assert [d for d in plain.spoken if not d.safety] == []
    asked = run(tmp_path / "asked", {700: ["last_corner"], 2400: ["last_corner"]})
    answered = [d for d in asked.spoken if not d.safety]
    assert answered
    assert len(answered) <= 2
    assert all(d.slot == "asked" for d in answered)


def test_a_request_that_is_not_whole_is_refused(tmp_path: Path) -> None:
    """An event that names no request of ours, or no frame, is an error that shows it."""
    run(tmp_path / "s", {})
    events = tmp_path / "s" / "events.jsonl"
    whole = events.read_text(encoding="utf-8")
    for line in (
        '{"kind":"asked","t_s":1.0,"request":"sing","after_frames":3}',
        '{"kind":"asked","t_s":1.0,"request":"mark"}',
        '{"kind":"tones","t_s":0.0,"kinds":"whistle","corner":"","late_s":0.0,"after_frames":0}',
        '{"kind":"tones","t_s":0.0,"kinds":null,"after_frames":0}',
    ):
        events.write_text(whole + line + "\n", encoding="utf-8")
        with pytest.raises(SessionError, match="incomplete request"):
            changes_of(SessionReader(tmp_path / "s"))


def test_volume_and_cue_sets_turn_within_what_there_is() -> None:
    """Louder ends at full, softer above silence; cue sets come in turn, from any rules of one's own at the first."""
    circuit = load_plan(PROFILE)
    pipeline = Pipeline(circuit.reference, circuit.corners, load_rules("ask"))
    loud: list[float] = []
    sets: list[str] = []
    turns: list[Function] = ["louder", "softer", "next_cues"]
    louder, softer, following = turns
    fingers = Fingers({0: [louder, *[softer] * 9, louder, *[following] * 5]})
    requests = Requests(
        fingers, pipeline, None, lambda _: None, rules="mine.yaml", volume=1.0,
        set_volume=loud.append, choose_rules=sets.append,
    )  # fmt: skip
    requests.take(0)
    assert 1.0 == max(loud) == loud[0]
    assert SOFTEST == min(loud) == loud[-2]
    assert loud[-1] > loud[-2]
    assert [*CUE_SETS, CUE_SETS[0]] == sets


def until(true: Callable[[], object]) -> None:
    """Wait for something that another process does."""
    deadline = time.monotonic() + 30.0
    while not true():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.02)


def test_twenty_devices_that_are_not_there_change_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A drive with twenty bound devices, none plugged in: the same decisions as without any buttons."""
    bindings = Bindings(bindings=tuple(Binding("mark", f"wheel {i}", i) for i in range(20)))
    save(bindings, tmp_path / "buttons.json")
    monkeypatch.setattr("coach.inputs.bindings.bindings_path", lambda: tmp_path / "buttons.json")
    monkeypatch.setattr("coach.app.live.drive.known_file", lambda driver, circuit: tmp_path / "nobody.json")
    logs = []
    for name, buttons in (("with", True), ("without", False)):
        (tmp_path / "nobody.json").unlink(missing_ok=True)
        asked = FeedOptions(feed="practice", speed="max", seed=3, rate_hz=20.0, laps=1)
        heard = OutputOptions(voice=False, overlay=False, lines=False)
        options = DriveOptions(
            asked, "hollow_ridge", "improving", laps=1, heard=heard, record=tmp_path / name, buttons=buttons
        )
        drive(options, lambda _: None)
        logs.append([decision_line(d) for d in SessionReader(tmp_path / name).decisions()])
    assert logs[0] == logs[1]
    assert logs[0]


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_button_process_that_dies_comes_back_and_costs_nothing() -> None:
    """Killed in a run: reading the buttons goes on at once, says it, and the process is there again."""
    said: list[str] = []
    buttons = Buttons(Bindings(bindings=(Binding("mark", "wheel", 0),)), said.append)
    supervisor = buttons._supervisor
    assert supervisor is not None
    try:
        until(lambda: supervisor.pid("buttons"))
        first = supervisor.pid("buttons")
        assert first is not None
        os.kill(first, signal.SIGKILL)
        began = time.monotonic()
        assert [] == buttons.pressed()
        assert time.monotonic() - began < 0.05
        until(lambda: supervisor.pid("buttons") not in (None, first))
        assert 1 == supervisor.restarts["buttons"]
        assert any("started again" in line for line in said)
    finally:
        buttons.close()
