from __future__ import annotations

import math
import os
import subprocess
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import pyarrow as pa
import pytest
from feeds_contract import FeedContract, collect, some_frames
from hypothesis import given, settings
from hypothesis import strategies as st

from feeds.base import Feed
from feeds.clock import ManualClock, Pacer
from feeds.errors import FeedEnded, FeedFormatError, FeedOpenError
from feeds.frame import CHANNELS, Frame, frames_of, rows_of
from feeds.frame_stream import FrameStreamReader, FrameStreamWriter
from feeds.replay import ReplayFeed


def store(path: Path, frames: Sequence[Frame], batch: int = 10) -> Path:
    writer = FrameStreamWriter(path)
    for start in range(0, len(frames), batch):
        writer.write(rows_of(frames[start : start + batch]))
    writer.close()
    return path


class FileSource:
    """The record is written when frames are given: a file feed is opened lazily by the wrapper below."""

    def __init__(self, folder: Path, speed: float) -> None:
        self.folder, self.speed = folder, speed
        self.path = store(folder / "0.arrows", some_frames())

    def open(self) -> Feed:
        return ReplayFeed(self.path, self.speed)

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        """The frames are in the file already."""

    def give_garbage(self, feed: Feed) -> None:
        """Flip bits in the second of the four batches, as a dying disk does."""
        data = bytearray(self.path.read_bytes())
        # each message begins with a mark: the schema, the empty first batch, then the four
        marks = [i for i in range(len(data)) if data[i : i + 4] == b"\xff\xff\xff\xff"]
        middle = marks[3] + 300
        data[middle : middle + 40] = bytes(b ^ 0x5A for b in data[middle : middle + 40])
        self.path.write_bytes(bytes(data))

    def close(self) -> None:
        """Nothing is held."""


class TestReplayContract(FeedContract):
    @pytest.fixture
    def source(self, tmp_path: Path) -> FileSource:
        return FileSource(tmp_path, math.inf)

    def test_time_out(self, source: FileSource) -> None:  # type: ignore[override]
        """A frame that is not due within the time-out is not given, and not lost."""
        clock = ManualClock()
        with ReplayFeed(source.path, 1.0, clock=clock) as feed:
            assert feed.read(0.01) is not None
            assert None is feed.read(0.03)
            assert 0.03 == pytest.approx(clock.now_s)
            second = feed.read(0.03)
            assert second is not None
            assert 0.05 == second.t_s

    def test_garbage_is_counted_and_survived(self, source: FileSource) -> None:  # type: ignore[override]
        """A damaged batch is left out and counted; the batches after it are read."""
        source.give_garbage(None)  # type: ignore[arg-type]
        with source.open() as feed:
            got = collect(feed, 40)
            assert 1 == feed.counters["damaged"]
        assert [f for i, f in enumerate(some_frames()) if not 10 <= i < 20] == got


def test_what_is_recorded_keeps_its_names_and_order() -> None:
    """Records of old hold these columns: a name that changes needs a migration, not only a new name."""
    expected = (
        "t_s x_m y_m z_m lap_distance_m lap_fraction lap speed_mps throttle brake steer gear wheels_off in_pit "
        "traction_control anti_lock"
    )
    assert tuple(expected.split()) == CHANNELS


@pytest.fixture
def record(tmp_path: Path) -> Path:
    return store(tmp_path / "frames.arrows", some_frames(200))


@pytest.mark.parametrize("speed", [1.0, 5.0])
def test_schedule_is_absolute(record: Path, speed: float) -> None:
    """Every frame comes when it is due, also when the system oversleeps and the reader dawdles."""

    class LazyClock(ManualClock):
        def sleep(self, secs: float, /) -> None:
            super().sleep(secs + 0.003)

    clock = LazyClock()
    lateness = []
    with ReplayFeed(record, speed, clock=clock) as feed:
        for i in range(200):
            frame = feed.read(10.0)
            assert frame is not None
            lateness.append(clock.now_s - frame.t_s / speed)
            if i == 50:
                clock.now_s += 0.4
    assert min(lateness) >= -1e-9
    assert 0.004 > lateness[-1]


def test_at_once_never_sleeps(record: Path) -> None:
    """As fast as it goes means no sleep at all."""
    clock = ManualClock()
    with ReplayFeed(record, math.inf, clock=clock) as feed:
        assert 200 == len(collect(feed, 200))
        with pytest.raises(FeedEnded):
            feed.read(1.0)
    assert clock.slept == []


def test_long_gaps_are_not_waited_for() -> None:
    """A pause of minutes in a record, or a clock that starts again, does not stop the replay."""
    clock = ManualClock()
    pacer = Pacer(1.0, clock)
    assert 0.0 == pacer.due_in(100.0)
    assert 0.5 == pytest.approx(pacer.due_in(100.5))
    assert 0.0 == pacer.due_in(900.0)
    assert 0.0 == pacer.due_in(3.0)
    assert 0.1 == pytest.approx(pacer.due_in(3.1))


@pytest.mark.parametrize("speed", [0.0, -1.0, math.nan])
def test_a_speed_is_above_zero(speed: float) -> None:
    """A speed that is no speed is refused."""
    with pytest.raises(ValueError, match="speed: expected a number above 0"):
        Pacer(speed, ManualClock())


def test_what_is_not_a_frame_stream_is_refused(tmp_path: Path) -> None:
    """Missing files, folders without a record, empty files, texts and other Arrow streams: one line with the path."""
    with pytest.raises(FeedOpenError, match="nothing"):
        ReplayFeed(tmp_path / "nothing")
    with pytest.raises(FeedOpenError, match=r"frames\.arrows"):
        ReplayFeed(tmp_path)
    for name, content in {"empty": b"", "text": b"lap,time\n1,2\n" * 100, "zeros": bytes(4000)}.items():
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(FeedFormatError, match=name):
            ReplayFeed(path)
    other = tmp_path / "other.arrows"
    schema = pa.schema([("name", pa.string())])
    with pa.ipc.new_stream(str(other), schema) as writer:
        writer.write_batch(pa.record_batch([pa.array(["a"])], schema=schema))
    with pytest.raises(FeedFormatError, match="columns are name"):
        ReplayFeed(other)


def test_cut_at_any_byte_gives_all_whole_batches(tmp_path: Path) -> None:
    """Wherever a record is cut, its whole batches are read and the rest is told in bytes."""
    path = store(tmp_path / "r.arrows", some_frames(60), batch=20)
    whole = path.read_bytes()
    seen = set()
    for size in range(len(whole), 0, -13):
        os.truncate(path, size)
        try:
            reader = FrameStreamReader(path)
        except FeedFormatError:
            assert size < 3000  # not even the schema is whole
            continue
        batches = list(reader.batches())
        reader.close()
        seen.add(len(batches))
        frames = [f for b in batches for f in frames_of(b)]
        assert some_frames(60)[: 20 * len(batches)] == frames
        assert 0 <= reader.lost_bytes <= size
        assert (size == len(whole)) == (reader.ended and reader.lost_bytes == 0 and len(batches) == 3)
    assert {0, 1, 2, 3} == seen


@settings(max_examples=150)
@given(st.data())
def test_flipped_bytes_never_raise_nor_lie(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Any damage to a record: no exception out of the feed, and only frames that were written."""
    base = tmp_path_factory.getbasetemp() / "pristine.arrows"
    if not base.exists():
        store(base, some_frames(60), batch=20)
    content = bytearray(base.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.getbasetemp() / "bent.arrows"
    path.write_bytes(bytes(content))
    good = set(map(repr, some_frames(60)))
    try:
        with ReplayFeed(path, math.inf) as feed:
            got = collect(feed, 100)
    except FeedFormatError:
        return
    assert {repr(f) for f in got} <= good


@given(
    st.lists(
        st.builds(
            Frame,
            t_s=st.floats(-1e6, 1e6),
            x_m=st.floats(allow_infinity=False),
            lap=st.one_of(st.none(), st.integers(0, 100)),
            gear=st.one_of(st.none(), st.integers(-1, 8)),
            in_pit=st.one_of(st.none(), st.booleans()),
        ),
        max_size=20,
    )
)
def test_frames_and_arrays_are_the_same_thing(frames: list[Frame]) -> None:
    """To an array and back changes nothing."""
    assert list(map(repr, frames)) == list(map(repr, frames_of(rows_of(frames))))


def test_replay_gives_increasing_times(record: Path) -> None:
    """In order, all of them."""
    with ReplayFeed(record, math.inf) as feed:
        got = collect(feed, 300)
    assert 200 == len(got)
    assert all(a.t_s < b.t_s for a, b in pairwise(got))


ALONE = """
import sys, numpy as np, psutil
from pathlib import Path
from feeds.frame_stream import FrameStreamWriter
before = psutil.Process().num_threads()
writer = FrameStreamWriter(Path(sys.argv[1]))
for _ in range(20):
    writer.write(np.zeros((16, 30)))
print(psutil.Process().num_threads() - before)
"""


def test_writing_wakes_no_other_threads(tmp_path: Path) -> None:
    """A batch is packed where it is written: a thread a column would cost more than the packing."""
    command = [sys.executable, "-c", ALONE, str(tmp_path / "frames.arrows")]
    assert "0\n" == subprocess.run(command, capture_output=True, text=True, check=True).stdout
