from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from coach.core.columns import Columns
from coach.core.values import Decision, LapDone
from coach.errors import SessionError
from coach.session import writer as module
from coach.session.header import PROFILE_FILE, SCHEMA, Header
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter
from feeds.frame import Frame

HEADER = Header(
    session="s1", started_at="2026-05-01T10:00:00+02:00", feed="practice", voice_durations={"brake later": 0.6}
)
DECISION = Decision(
    1.5, 2, 310.127, "Quarry", "brake_later", "spoken", "", "brake later", 2.1004, 3.0, "correction", "brake_early"
)


def frames(n: int, start: int = 0) -> Columns:
    return Columns.of([Frame(i / 60, x_m=0.5 * i, y_m=1.0, speed_mps=30.0, lap=1, gear=3) for i in range(start, n)])


def test_all_that_was_written_is_read(tmp_path: Path) -> None:
    """Frames, decisions, laps, events, copies and header come back as they were handed over."""
    profile = tmp_path / "mine.yaml"
    profile.write_text("circuit: Hollow Hill # my comment\n")
    writer = SessionWriter(tmp_path / "s", HEADER, {PROFILE_FILE: profile, "rules.yaml": b"rules: []\n"})
    for start in range(0, 600, 7):
        writer.frames(frames(min(start + 7, 600), start))
    writer.decision(DECISION)
    lap = LapDone(1, 90.5, 88.25, math.nan, False, "wheels off")
    writer.lap(lap)
    writer.event("output_lost", 3.0, output="voice")
    writer.update_header(given=("t_s", "x_m"), inferred=("x_m",))
    status = writer.close({"late": 3})
    assert (600, 3, 0, 0, "") == (status.frames, status.lines, status.lost_frames, status.lost_lines, status.trouble)

    reader = SessionReader(tmp_path / "s")
    assert np.array_equal(frames(600).data, reader.columns().data, equal_nan=True)
    assert reader.tail() == ""
    assert [DECISION.rule] == [d.rule for d in reader.decisions()]
    assert [repr(lap)] == [repr(got) for got in reader.laps()]
    assert {"kind": "output_lost", "t_s": 3.0, "output": "voice"} == reader.events()[1]
    kept = reader.file(PROFILE_FILE)
    assert kept is not None
    assert profile.read_text() == kept.read_text()
    assert None is reader.file("reference.arrow")
    header = reader.header
    assert (True, {"late": 3}, {"brake later": 0.6}) == (header.ended, header.counters, header.voice_durations)
    assert (("t_s", "x_m"), ("x_m",), SCHEMA) == (header.given, header.inferred, header.schema)
    assert math.isnan(header.rate_hz)


def test_chunks_are_copied(tmp_path: Path) -> None:
    """A buffer that is used again after it was handed over does not change the record."""
    writer = SessionWriter(tmp_path / "s", HEADER)
    chunk = frames(10)
    writer.frames(chunk)
    chunk.data[:] = -1.0
    writer.close()
    assert np.array_equal(frames(10).data, SessionReader(tmp_path / "s").columns().data, equal_nan=True)


def test_batches_are_bounded(tmp_path: Path) -> None:
    """A long session is read in pieces no larger than asked."""
    writer = SessionWriter(tmp_path / "s", HEADER)
    writer.frames(frames(5000))
    writer.close()
    sizes = [len(b) for b in SessionReader(tmp_path / "s").batches(1000)]
    assert [1000] * 5 == sizes


CHILD = """
import sys, time
from pathlib import Path
from coach.core.columns import Columns
from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.frame import Frame
writer = SessionWriter(Path(sys.argv[1]), Header(session="k", started_at="", feed="t"))
start = time.monotonic()
while True:
    now = time.monotonic() - start
    writer.frames(Columns.of([Frame(now, x_m=now, y_m=0.0, lap=1)]))
    writer.event("tick", now)
    print(now, flush=True)
    time.sleep(0.002)
"""


def test_a_killed_process_loses_at_most_a_second(tmp_path: Path, repository: Path) -> None:
    """kill -9 in the middle of a run: the record reads, and ends less than 1 s before the last frame handed over."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path / "s")], stdout=subprocess.PIPE, text=True, cwd=repository
    )
    assert child.stdout is not None
    last = 0.0
    for line in child.stdout:
        last = float(line)
        if last > 1.1:
            child.send_signal(signal.SIGKILL)
            break
    for line in child.stdout:
        # the kill may cut a line
        last = float(line) if line.endswith("\n") else last
    child.stdout.close()
    assert -signal.SIGKILL == child.wait()
    reader = SessionReader(tmp_path / "s")
    columns = reader.columns()
    lost_s = last - columns["t_s"][-1]
    assert 0.0 <= lost_s <= 1.0
    assert last - reader.events()[-1]["t_s"] <= 1.0
    assert len(columns) > 50
    assert not reader.header.ended


FULL = """
import resource, signal, sys, time
from pathlib import Path
from coach.core.columns import Columns
from coach.session.header import Header
from coach.session.reader import SessionReader
from coach.session.writer import SessionWriter
from feeds.frame import Frame
import random
def chunk(k):
    r = random.Random(k)
    return Columns.of([Frame(k + i / 100, x_m=r.random(), y_m=r.random(), z_m=r.random()) for i in range(100)])
def settled(writer, want):
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        s = writer.status()
        if s.frames + s.lost_frames >= want:
            return s
        time.sleep(0.01)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
said = []
writer = SessionWriter(Path(sys.argv[1]), Header(session="f", started_at="", feed="t"), on_trouble=said.append)
writer.frames(chunk(0)); settled(writer, 100)
hard = resource.getrlimit(resource.RLIMIT_FSIZE)[1]
resource.setrlimit(resource.RLIMIT_FSIZE, (9000, hard))
for k in range(1, 4):
    writer.frames(chunk(k)); settled(writer, 100 + 100 * k)
resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))
writer.frames(chunk(4)); settled(writer, 500)
status = writer.close()
columns = SessionReader(Path(sys.argv[1])).columns()
print(status.frames, status.lost_frames, len(said), sorted({int(t) for t in columns["t_s"]}))
print(said[0])
"""


def test_a_full_disk_is_said_once_and_the_rest_is_kept(tmp_path: Path, repository: Path) -> None:
    """A write the system refuses loses that batch alone; what came before and after stays readable."""
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tmp_path / "s")], capture_output=True, text=True, cwd=repository, check=False
    )
    assert done.stderr == ""
    counts, said = done.stdout.splitlines()
    kept, lost, times, *seconds = counts.replace("[", "").replace("]", "").replace(",", "").split()
    assert 500 == int(kept) + int(lost)
    assert int(lost) >= 100
    assert "1" == times
    assert {"0", "4"} <= set(seconds)
    assert int(kept) == 100 * len(seconds)
    assert "part of the session is not recorded (File too large); the run continues" in said


def test_the_engine_never_waits_for_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With a disk that hangs, handing over stays quick and what does not fit is counted."""
    free = threading.Event()
    stuck = threading.Event()
    monkeypatch.setattr(module, "MAX_WAITING_FRAMES", 1000)
    writer = SessionWriter(tmp_path / "s", HEADER)
    real = writer._stream.write

    def hang(data: object) -> None:
        stuck.set()
        free.wait(10)
        real(data)  # type: ignore[arg-type]

    monkeypatch.setattr(writer._stream, "write", hang)
    writer.frames(frames(10))
    assert stuck.wait(5)
    start = time.monotonic()
    for _ in range(30):
        writer.frames(frames(100))
    assert time.monotonic() - start < 1.0
    assert 2000 == writer.status().lost_frames
    free.set()
    assert 1010 == writer.close().frames


def test_values_after_close_are_counted_as_lost(tmp_path: Path) -> None:
    """Closing twice is allowed; what comes later is lost, not raised."""
    writer = SessionWriter(tmp_path / "s", HEADER)
    writer.close()
    writer.frames(frames(5))
    writer.decision(DECISION)
    status = writer.close()
    assert (5, 1) == (status.lost_frames, status.lost_lines)


def test_folders_that_can_not_be_used(tmp_path: Path) -> None:
    """A folder that holds a session, a file in the way, a missing copy: one clear line each."""
    SessionWriter(tmp_path / "s", HEADER).close()
    with pytest.raises(SessionError, match="holds a session already"):
        SessionWriter(tmp_path / "s", HEADER)
    (tmp_path / "file").write_text("x")
    with pytest.raises(SessionError, match="cannot be recorded here"):
        SessionWriter(tmp_path / "file" / "s", HEADER)
    with pytest.raises(SessionError, match="cannot be recorded here"):
        SessionWriter(tmp_path / "t", HEADER, {PROFILE_FILE: tmp_path / "missing.yaml"})


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("not json", "not a session header"),
        ("[]", "expected a session header"),
        ("{}", "schema None"),
        ('{"schema": 99}', "newer than this program"),
        ('{"schema": "1"}', "schema '1'"),
        (f'{{"schema": {SCHEMA}, "session": 5}}', r"\$\.session"),
        (f'{{"schema": {SCHEMA}}}', "required field"),
    ],
)
def test_broken_headers(tmp_path: Path, content: str, expected: str) -> None:
    """A broken header names the file, what was found and what is allowed."""
    (tmp_path / "header.json").write_text(content)
    with pytest.raises(SessionError, match=expected) as caught:
        SessionReader(tmp_path)
    assert str(tmp_path / "header.json") in str(caught.value)


def test_what_is_not_a_session(tmp_path: Path) -> None:
    """A missing path and a folder without header are no sessions; a lost frame stream is told when it is read."""
    with pytest.raises(SessionError, match="no such session"):
        SessionReader(tmp_path / "nothing")
    with pytest.raises(SessionError, match=r"holds no header\.json"):
        SessionReader(tmp_path)
    SessionWriter(tmp_path / "s", HEADER).close()
    os.remove(tmp_path / "s" / "frames.arrows")
    with pytest.raises(SessionError, match=r"frames\.arrows: the frame stream cannot be opened"):
        SessionReader(tmp_path / "s").columns()


def test_a_cut_record_says_how_much_is_missing(tmp_path: Path) -> None:
    """After a cut in the middle of a batch the rest is read and the loss is told."""
    writer = SessionWriter(tmp_path / "s", HEADER)
    writer.frames(frames(300))
    deadline = time.monotonic() + 5
    while writer.status().frames < 300 and time.monotonic() < deadline:
        time.sleep(0.01)
    writer.frames(frames(600, 300))
    writer.close()
    path = tmp_path / "s" / "frames.arrows"
    os.truncate(path, path.stat().st_size - 100)
    reader = SessionReader(tmp_path / "s")
    assert 300 == len(reader.columns())
    assert "unfinished batch" in reader.tail()


def test_a_frame_stream_alone_is_a_session(tmp_path: Path) -> None:
    """The frame file without its folder can be read; it has no decisions."""
    writer = SessionWriter(tmp_path / "s", HEADER)
    writer.frames(frames(30))
    writer.decision(DECISION)
    writer.close()
    reader = SessionReader(tmp_path / "s" / "frames.arrows")
    assert 30 == len(reader.columns())
    assert ([], [], None) == (reader.decisions(), reader.laps(), reader.file(PROFILE_FILE))
