from __future__ import annotations

import datetime
import math
import os
import pty
import select
import socket
import threading
import time
import tty
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pynmea2  # type: ignore[import-untyped]  # it ships no types
import pytest
from feeds_contract import FeedContract, collect, some_frames
from feeds_loop import Loop
from hypothesis import given
from hypothesis import strategies as st
from pyproj import Transformer

from feeds.base import Feed
from feeds.clock import ManualClock
from feeds.counters import Counters
from feeds.errors import FeedOpenError
from feeds.features import REAL_CAR
from feeds.frame import Frame
from feeds.nmea.epochs import Epochs, Quality
from feeds.nmea.feed import NmeaFeed
from feeds.nmea.sentences import LineSplitter, Sentence, parse, sentences_of, with_checksum

ORIGIN = (50.0, 8.0)
PLACES = Transformer.from_pipeline(
    "+proj=pipeline +step +inv +proj=topocentric +ellps=WGS84 +lon_0=8 +lat_0=50 +h_0=0 "
    "+step +inv +proj=cart +ellps=WGS84 +step +proj=unitconvert +xy_in=rad +xy_out=deg"
)


def log_of(frames: Sequence[Frame]) -> bytes:
    """The sentences of frames around the origin; PROJ turns the plane back into latitude and longitude."""
    x, y = np.array([f.x_m for f in frames]), np.array([f.y_m for f in frames])
    # up such that the point lies on the ellipsoid (height 0): the plane is tangent
    lon, lat, _ = PLACES.transform(x, y, -(x**2 + y**2) / 2 / 6.378e6)
    return b"".join(sentences_of(f, float(a), float(b)) for f, a, b in zip(frames, lat, lon, strict=True))


class Far:
    """Writes the sentences of frames to a feed, by whichever way."""

    def open(self) -> Feed:
        raise NotImplementedError

    def write(self, data: bytes) -> None:
        raise NotImplementedError

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        self.write(log_of(frames))

    def give_garbage(self, feed: Feed) -> None:
        self.write(b"$GPGGA,garbage*00\r\n")

    def close(self) -> None:
        """Nothing is held."""


class OverUdp(Far):
    def __init__(self) -> None:
        self.out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.port = 0

    def open(self) -> Feed:
        feed = NmeaFeed(f"udp:127.0.0.1:{self.port}", origin=ORIGIN)
        self.port = feed.port
        return feed

    def write(self, data: bytes) -> None:
        for line in data.splitlines():
            self.out.sendto(line, ("127.0.0.1", self.port))

    def close(self) -> None:
        self.out.close()


class OverTcp(Far):
    def __init__(self) -> None:
        self.server = socket.create_server(("127.0.0.1", 0))
        self.peer: socket.socket | None = None

    def open(self) -> Feed:
        feed = NmeaFeed(f"tcp:127.0.0.1:{self.server.getsockname()[1]}", origin=ORIGIN)
        if self.peer is not None:
            self.peer.close()
        self.peer, _ = self.server.accept()
        return feed

    def write(self, data: bytes) -> None:
        assert self.peer is not None
        self.peer.sendall(data)

    def close(self) -> None:
        if self.peer is not None:
            self.peer.close()
        self.server.close()


class OverSerial(Far):
    def __init__(self) -> None:
        self.ours, self.theirs = pty.openpty()
        tty.setraw(self.theirs)
        self.device = os.ttyname(self.theirs)

    def open(self) -> Feed:
        return NmeaFeed(f"serial:{self.device}:115200", origin=ORIGIN)

    def write(self, data: bytes) -> None:
        # a pseudo terminal holds a few kilobytes only: write beside the reader
        writer = threading.Thread(target=lambda: self._all(data))
        writer.start()
        self.writers = [*getattr(self, "writers", []), writer]

    def _all(self, data: bytes) -> None:
        for start in range(0, len(data), 512):
            os.write(self.ours, data[start : start + 512])

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        for writer in getattr(self, "writers", []):
            writer.join(5)
        super().give(feed, frames)

    def give_garbage(self, feed: Feed) -> None:
        self.writers[-1].join(5)
        super().give_garbage(feed)

    def close(self) -> None:
        for writer in getattr(self, "writers", []):
            writer.join(5)
        os.close(self.ours)
        os.close(self.theirs)


class TestNmeaContract(FeedContract):
    clock_tolerance_s = 5e-4

    @pytest.fixture(params=[OverUdp, OverTcp, OverSerial])
    def source(self, request: pytest.FixtureRequest) -> Iterator[Far]:
        source = request.param()
        yield source
        source.close()

    def test_order(self, source: Far) -> None:  # type: ignore[override]
        """As for every feed; the last moment stays open until the receiver's kinds are known."""
        super().test_order(source)


@pytest.mark.parametrize(
    ("sentence", "expected"),
    [
        # published examples of NMEA 0183 sentences; the decoded values were computed with two parsers
        (
            b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
            {"lat_deg": 48.1173, "lon_deg": 11.516667, "height_m": 545.4, "satellites": 8, "dilution": 0.9},
        ),
        (
            b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
            {"speed_mps": 11.52356, "lat_deg": 48.1173, "time_s": 45319.0},
        ),
        (
            b"$GNGGA,203415.000,6325.6138,N,01021.4290,E,1,8,2.42,72.5,M,41.5,M,,*7C",
            {"lat_deg": 63.426897, "lon_deg": 10.35715, "height_m": 72.5},
        ),
        # from memory
        (b"$GPRMC,092751.000,A,5321.6802,N,00630.3371,W,0.06,31.66,280511,,,A*45", {"lon_deg": -6.505618}),
        (
            b"$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
            {"lat_deg": -19.484083, "lon_deg": 24.1751, "time_s": 67433.07},
        ),
    ],
)
def test_published_sentences(sentence: bytes, expected: dict[str, float]) -> None:
    """Published sentences decode to the published values, a second parser agrees, one flipped bit is refused."""
    counters = Counters()
    got = parse(sentence, counters)
    assert got is not None
    assert expected == {k: pytest.approx(getattr(got, k), abs=1e-5) for k in expected}
    other = pynmea2.parse(sentence.decode(), check=True)
    assert (other.latitude, other.longitude) == pytest.approx((got.lat_deg, got.lon_deg), abs=1e-9)
    assert {"received": 1} == counters
    for place in (5, 20, len(sentence) - 1):
        bent = bytearray(sentence)
        bent[place] ^= 1
        assert None is parse(bytes(bent), counters)
    assert 3 == counters.get("bad_checksum", 0) + counters.get("malformed", 0)


def test_date_of_the_published_sentence() -> None:
    """The published RMC sentence is of 23 March 1994."""
    got = parse(b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", Counters())
    assert got is not None
    assert datetime.date(1994, 3, 23) == got.date


@pytest.mark.parametrize(
    "line",
    [b"", b"$", b"$GPRMC*00", b"GPRMC,1*11", b"$GPRMC,123519,A", b"\xff" * 100, b"$GPGGA," + b"9" * 300 + b"*00"],
)
def test_lines_that_are_no_sentences(line: bytes) -> None:
    """Cut, binary and overlong lines are counted, not raised."""
    counters = Counters()
    assert None is parse(line, counters)
    assert 1 == counters["malformed"]


@given(st.sampled_from(["GPRMC", "GPGGA", "GNGNS", "GPVTG"]), st.text("0123456789.,-ANEWSMKeinfa ", max_size=70))
def test_right_checksums_over_nonsense(kind: str, body: str) -> None:
    """Whatever stands in a sentence with a right checksum: finite or absent numbers, or no sentence."""
    got = parse(with_checksum(f"{kind},{body}").strip(), Counters())
    if got is not None:
        assert not math.isinf(got.lat_deg)
        assert not got.time_s < 0
        assert not got.time_s >= 86_400


def test_sentences_of_other_kinds_are_passed_over() -> None:
    """Kinds that are not used and kinds that a maker made up are no fault and no sentence."""
    counters = Counters()
    for body in ("GPGSV,1,1,00", "PNRMC,100001.000,A,5000.0,N,00800.0,E,1.0,,010126,,,A", "GPZDA,1,1,1,1"):
        assert None is parse(with_checksum(body).strip(), counters)
    assert {"received": 3} == counters


def test_sentences_are_cut_from_any_pieces() -> None:
    """However the bytes are cut and whichever line end they have, the lines are the same; endless lines are dropped."""
    data = log_of(some_frames(5))
    for size in (1, 7, 100, 10_000):
        splitter = LineSplitter(Counters())
        lines = [line for i in range(0, len(data), size) for line in splitter.push(data[i : i + size])]
        assert data.split() == lines
    counters = Counters()
    LineSplitter(counters).push(b"x" * 10_000)
    assert 1 == counters["malformed"]


def epochs(kinds: str, n: int = 6, **quality: float) -> tuple[list[Frame], list[list[Frame]], Counters]:
    """Moments at 10 Hz with one sentence per letter: R, G, V, N; frames per sentence."""
    counters = Counters()
    made = Epochs(counters, Quality(**quality), None)  # type: ignore[arg-type]
    steps = []
    for i in range(n):
        at = {"time_s": 100.0 + i / 10, "lat_deg": 50.0 + i * 1e-5, "lon_deg": 8.0}
        for letter in kinds:
            sentence = {
                "R": Sentence("RMC", speed_mps=11.0, **at),  # type: ignore[arg-type]
                "G": Sentence("GGA", height_m=100.0, satellites=9, dilution=0.8, **at),  # type: ignore[arg-type]
                "N": Sentence("GNS", height_m=101.0, satellites=9, dilution=0.8, **at),  # type: ignore[arg-type]
                "V": Sentence("VTG", speed_mps=11.5),
            }[letter]
            steps.append(made.push(sentence))
    return [f for step in steps for f in step], steps, counters


@pytest.mark.parametrize("kinds", ["RG", "GR", "RGV", "GRV", "VRG", "GVR", "RNV", "R", "GV"])
def test_sentences_of_a_moment_become_one_frame_at_once(kinds: str) -> None:
    """In any order: one frame per moment; once the kinds are known it goes out with the last one."""
    frames, steps, _ = epochs(kinds, 6)
    assert [0.0, 0.1, 0.2, 0.3, 0.4, 0.5] == pytest.approx([f.t_s for f in frames][:6], abs=1e-4)
    assert 1 == sum(len(step) for step in steps[-len(kinds) :])
    assert pytest.approx(0.5, abs=1e-4) == steps[-1 if kinds[-1] != "V" or "R" not in kinds else -2][0].t_s
    last = frames[-1]
    assert (11.5 if "R" not in kinds else 11.0) == last.speed_mps
    assert 5.56 == pytest.approx(last.y_m, abs=0.01)
    if "G" in kinds:
        assert 100.0 == last.z_m


def test_midnight() -> None:
    """Time goes on over midnight UTC."""
    made = Epochs(Counters(), Quality(), None)
    frames = []
    for time_s in (86_399.8, 86_399.9, 0.0, 0.1, 0.2):
        frames += made.push(Sentence("RMC", time_s=time_s, lat_deg=1.0, lon_deg=1.0))
    frames += made.finish()
    assert [0.0, 0.1, 0.2, 0.3, 0.4] == pytest.approx([f.t_s for f in frames])


@pytest.mark.parametrize(
    "bad",
    [
        b"$GNRMC,100001.000,V,5000.0,N,00800.0,E,1.0,,010126,,,N",
        b"$GNRMC,100001.000,A,5000.0,N,00800.0,E,1.0,,010126,,,E",
        b"$GNGGA,100001.000,5000.0,N,00800.0,E,0,12,0.7,1.0,M,0.0,M,,",
        b"$GNGGA,100001.000,5000.0,N,00800.0,E,1,04,0.7,1.0,M,0.0,M,,",
        b"$GNGGA,100001.000,5000.0,N,00800.0,E,1,12,9.9,1.0,M,0.0,M,,",
        b"$GNGGA,100001.000,5000.0,N,00800.0,E,6,12,0.7,1.0,M,0.0,M,,",
        b"$GNGNS,100001.000,5000.0,N,00800.0,E,NN,12,0.7,1.0,0.0,,",
        b"$GNGNS,100001.000,,,,,AA,12,0.7,1.0,0.0,,",
    ],
)
def test_poor_fixes_are_refused(bad: bytes) -> None:
    """No fix, dead reckoning, too few satellites, too large a dilution, no place: counted, no frame."""
    counters = Counters()
    made = Epochs(counters, Quality(), None)
    sentence = parse(with_checksum(bad[1:].decode()).strip(), counters)
    assert sentence is not None
    assert [] == made.push(sentence) + made.finish()
    assert 1 == counters["poor_fix"]


@pytest.mark.parametrize("rate_hz", [10.0, 25.0])
def test_a_logged_lap(tmp_path: Path, rate_hz: float) -> None:
    """A lap through sentences in a file: places to a centimetre, speeds to a thousandth of a knot, on schedule."""
    frames = Loop().frames(1.0, rate_hz)
    path = tmp_path / "lap.nmea"
    path.write_bytes(log_of(frames))
    clock = ManualClock()
    with NmeaFeed(f"file:{path}", origin=ORIGIN, speed=2.0, clock=clock) as feed:
        got = collect(feed, 10_000, within_s=30)
        assert {"throttle", "brake"} == feed.channels.inferred
        assert {"received", "frames"} == set(feed.counters)
        assert not feed.live
        assert feed.real_car
    assert len(frames) == len(got)
    assert frames[-1].t_s / 2.0 == pytest.approx(clock.now_s, abs=0.01)
    for field, within in {"x_m": 0.01, "y_m": 0.01, "z_m": 0.006, "speed_mps": 0.001, "t_s": 0.0006}.items():
        expected, actual = ([getattr(f, field) for f in fs] for fs in (frames, got))
        assert expected == pytest.approx(actual, abs=within), field
    assert 0.6 < np.corrcoef([f.brake for f in frames], [f.brake for f in got])[0, 1]


def test_a_lost_connection_is_opened_again() -> None:
    """A receiver that hangs up is called again, with a pause, and the feed goes on; nothing is raised."""
    far = OverTcp()
    clock = ManualClock()
    with NmeaFeed(f"tcp:127.0.0.1:{far.server.getsockname()[1]}", origin=ORIGIN, clock=clock) as feed:
        peer, _ = far.server.accept()
        peer.sendall(log_of(some_frames(20)))
        assert 19 <= len(collect(feed, 20, within_s=1.0))
        peer.close()
        far.server.settimeout(5.0)
        deadline = time.monotonic() + 5.0
        while not feed.counters.get("io_error") and time.monotonic() < deadline:
            assert None is feed.read(0.1)
        while not select.select([far.server], [], [], 0)[0] and time.monotonic() < deadline:
            assert None is feed.read(0.1)
        far.peer, _ = far.server.accept()
        far.write(log_of(some_frames(20, start_s=10.0)))
        assert 19 <= len(collect(feed, 20, within_s=1.0))
        assert 1 == feed.counters["io_error"]
    far.close()


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("serial:/dev/no-such-line", "serial /dev/no-such-line: cannot be opened at 115200 baud"),
        ("tcp:127.0.0.1:1", r"tcp 127\.0\.0\.1:1: no receiver answers there"),
        ("file:/no/such/file", "/no/such/file: cannot be opened"),
        ("udp:127.0.0.1", "expected udp:HOST:PORT"),
        ("tcp:host:99999", "expected udp:HOST:PORT"),
        ("", "expected udp:HOST:PORT"),
    ],
)
def test_sources_that_can_not_be_opened(source: str, expected: str) -> None:
    """One clear line for each, before the run begins."""
    with pytest.raises(FeedOpenError, match=expected):
        NmeaFeed(source)


def test_a_real_car_has_cautions() -> None:
    """The cautions name what matters most: a closed circuit, and that flags come first."""
    text = " ".join(REAL_CAR)
    assert "closed circuit" in text
    assert "Flags and marshals come first" in text
