"""A live run over a real socket, and the replay of its record."""

from __future__ import annotations

import socket
import threading
import time
from pathlib import Path

import msgspec
import pytest

from coach.app.engine import Engine
from coach.app.rerun.rerun import rerun
from coach.app.setup import MEMORY_FILE, Known, Setup, session_setup
from coach.outputs.base import Capture
from coach.profile.rule_files import load_rules, rule_paths
from coach.profile.store import load_plan
from coach.session.header import PROFILE_FILE, RULES_FILE, Header
from coach.session.log import decision_line
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter
from feeds.errors import FeedEnded
from feeds.frame import Frame
from feeds.messages import encode
from feeds.practice import FaultPlan, Habit, hollow_ridge, simulate
from feeds.udp import UdpFeed

DEADLINE_S = 120.0


def _frames() -> list[Frame]:
    plan = FaultPlan((Habit("Quarry", "brake_early", 20.0), Habit("Cauldron", "slow_middle", 3.0)))
    return list(simulate(hollow_ridge(), 3, rate_hz=20.0, seed=2, faults=plan).frames())


def _send(frames: list[Frame], port: int, engine: Engine, failed: list[str]) -> None:
    """Send no faster than the engine takes them, so that the kernel's buffer never overflows."""
    deadline = time.monotonic() + DEADLINE_S
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for i, frame in enumerate(frames):
            out.sendto(encode(msgspec.structs.replace(frame, seq=i), "msgpack"), ("127.0.0.1", port))
            while i - engine.tally.frames > 60:
                if time.monotonic() > deadline:
                    failed.append(f"the engine took {engine.tally.frames} of {i} frames")
                    return
                time.sleep(0.0005)


@pytest.mark.parametrize("rules", ["improving", "first_laps"])
def test_a_live_run_equals_the_replay_of_its_record(tmp_path: Path, rules: str) -> None:
    """The replay of a recorded session gives the decisions of the live run over UDP, line for line."""
    plan = load_plan("hollow_ridge")
    setup = Setup(plan.circuit, plan.reference, plan.corners, load_rules(rules), plan.pronounce)
    copies: dict[str, Path | bytes] = {
        PROFILE_FILE: plan.path,
        "reference.arrow": plan.path.parent / "reference.arrow",
        RULES_FILE: rule_paths()[rules],
        MEMORY_FILE: msgspec.json.encode(Known()),
    }
    frames = _frames()
    capture = Capture(keep_views=False)
    failed: list[str] = []
    with UdpFeed(port=0) as feed:
        writer = SessionWriter(tmp_path / "s", Header(session="s", started_at="", feed="udp"), copies)
        engine = Engine(feed, setup.pipeline(), capture, writer, FeedEnded)
        sender = threading.Thread(target=_send, args=(frames, feed.port, engine, failed))
        sender.start()
        # the gate may hold back the very last frames: the sender's end and silence end the run
        quiet_since = [time.monotonic(), 0.0]

        def stop() -> bool:
            if sender.is_alive() or engine.tally.frames != quiet_since[1]:
                quiet_since[:] = [time.monotonic(), engine.tally.frames]
            return time.monotonic() - quiet_since[0] > 0.5

        engine.run(stop)
        sender.join()
        writer.close()
    assert [] == failed
    live = [decision_line(d) for d in capture.decisions]
    assert len(frames) == engine.tally.frames
    assert [1, 2, 3] == [lap.lap for lap in capture.laps]
    assert any(d.outcome == "spoken" for d in capture.decisions)
    assert any(d.outcome == "held" for d in capture.decisions)
    reader = SessionReader(tmp_path / "s")
    again = rerun(reader.batches(), session_setup(reader, None, None))
    assert live == [decision_line(d) for d in again.events.decisions]
    assert live == [decision_line(d) for d in reader.decisions()]
