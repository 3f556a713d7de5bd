from __future__ import annotations

import json
import math
import socket
from collections.abc import Iterator, Sequence

import msgspec
import pytest
from feeds_contract import FeedContract, collect, some_frames

from feeds.base import Feed
from feeds.clock import ManualClock
from feeds.errors import FeedOpenError
from feeds.frame import Frame
from feeds.messages import Format, decode, encode
from feeds.udp import UdpFeed, send


class UdpSource:
    def __init__(self, form: Format) -> None:
        self.form = form
        self.port = 0
        self.out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def open(self) -> Feed:
        feed = UdpFeed(port=self.port)
        self.port = feed.port
        return feed

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        for frame in frames:
            self.raw(encode(frame, self.form))

    def give_garbage(self, feed: Feed) -> None:
        self.raw(b"\x00\x01garbage")

    def raw(self, data: bytes) -> None:
        self.out.sendto(data, ("127.0.0.1", self.port))

    def close(self) -> None:
        self.out.close()


class TestUdpContract(FeedContract):
    @pytest.fixture(params=["msgpack", "json"])
    def source(self, request: pytest.FixtureRequest) -> Iterator[UdpSource]:
        source = UdpSource(request.param)
        yield source
        source.close()


@pytest.fixture
def source() -> Iterator[UdpSource]:
    source = UdpSource("msgpack")
    yield source
    source.close()


@pytest.mark.parametrize("form", ["msgpack", "json"])
def test_every_field_survives_the_datagram(form: Format) -> None:
    """Decoding an encoded frame gives the same frame, absent fields included."""
    frame = Frame(
        1.25, x_m=1.5, y_m=-2.0, z_m=3.0, lap=2, speed_mps=40.0, throttle=0.5, brake=0.0, steer=-0.25, gear=-1,
        wheels_off=2, in_pit=False, traction_control=True, anti_lock=False, seq=7,
    )  # fmt: skip
    back = decode(encode(frame, form))
    assert back is not None
    assert [(k, v) for k, v in msgspec.structs.asdict(frame).items() if v == v] == [
        (k, v) for k, v in msgspec.structs.asdict(back).items() if v == v
    ]
    assert math.isnan(back.lat_deg)


def test_a_plain_json_sender_is_understood() -> None:
    """Integers for real numbers, null for absent, unknown keys and leading white space are all right."""
    frame = decode(b' {"t_s": 3, "speed_mps": 20, "gear": null, "x_m": null, "my_own": [1, {"a": 2}]}')
    assert frame is not None
    assert (3.0, 20.0, None) == (frame.t_s, frame.speed_mps, frame.gear)
    assert math.isnan(frame.x_m)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"{}",
        b"[1, 2]",
        b'{"t_s": "1"}',
        b'{"t_s": 1, "gear": 2.5}',
        b'{"t_s": 1, "in_pit": 1}',
        b'{"t_s": 1} trailing',
        b'{"t_s": NaN}',
        b'{"t_s": 1e999}',
        b'{"t_s": 1, "deep": ' + b"[" * 60_000,
        b"\x81",
        b"\x81\xa3t_s\xa11",
        b"\x81\xc4\x01a\x01",
        b"\x81\x81\x01\x02\x03",
        b"\xdf\xff\xff\xff\xff",
        bytes(range(256)),
    ],
)
def test_malformed_datagrams_hold_no_frame(data: bytes) -> None:
    """Wrong types, missing time, cut or nested data: no frame and no exception."""
    assert None is decode(data)


def test_port_in_use_is_one_clear_line(source: UdpSource) -> None:
    """A second feed on the same port names port, trouble and remedy."""
    with source.open() as feed:
        assert isinstance(feed, UdpFeed)
        with pytest.raises(FeedOpenError, match=rf"udp 127\.0\.0\.1:{feed.port}: the port is in use .*another port"):
            UdpFeed(port=feed.port)


@pytest.mark.parametrize(
    ("host", "port"), [("127.0.0.1", 70_000), ("127.0.0.1", -1), ("no such host.invalid", 5000), ("203.0.113.9", 5000)]
)
def test_addresses_that_can_not_be_had(host: str, port: int) -> None:
    """Ports out of range, unknown names and foreign addresses are refused on opening (203.0.113.0/24: RFC 5737)."""
    with pytest.raises(FeedOpenError, match="udp "):
        UdpFeed(host, port)


def test_second_sender_is_refused_until_the_first_is_silent() -> None:
    """The first good sender is heard alone; after two silent seconds another one may take over."""
    clock = ManualClock()
    with (
        UdpFeed(port=0, clock=clock) as feed,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as two,
    ):
        to = ("127.0.0.1", feed.port)
        frames = some_frames(6)
        one.sendto(b"garbage of a stranger does not make it the sender", to)
        two.sendto(encode(frames[0]), to)
        one.sendto(encode(frames[1]), to)
        two.sendto(encode(frames[2]), to)
        assert [frames[0].t_s, frames[2].t_s] == [f.t_s for f in collect(feed, 2)]
        assert 1 == feed.counters["other_sender"]
        clock.now_s += 2.5
        one.sendto(encode(frames[3]), to)
        assert [frames[3].t_s] == [f.t_s for f in collect(feed, 1)]
        assert 1 == feed.counters["sender_changed"]


def test_losses_duplicates_and_reordering_are_counted(source: UdpSource) -> None:
    """By running number: 3 lost, 1 twice, 1 late; by time: the late one is dropped."""
    with source.open() as feed:
        order = [0, 1, 2, 2, 6, 5, 7, 9]
        for i in order:
            source.raw(encode(Frame(i / 10, x_m=3.0 * i, y_m=0.0, seq=i)))
        got = collect(feed, 6)
        assert feed.read(0.0) is None
    assert [0.0, 0.1, 0.2, 0.6, 0.7, 0.9] == [f.t_s for f in got]
    assert {"lost": 3, "duplicate": 1, "late": 1} == {k: feed.counters[k] for k in ("lost", "duplicate", "late")}


def test_latitude_and_longitude_become_the_plane(source: UdpSource) -> None:
    """Frames without x and y are placed around their first position: a minute of latitude is about 1853 m."""
    with source.open() as feed:
        source.raw(encode(Frame(0.0, lat_deg=50.0, lon_deg=8.0)))
        source.raw(encode(Frame(0.1, lat_deg=50.0 + 1 / 60 / 60, lon_deg=8.0)))
        first, second = collect(feed, 2)
    assert (0.0, 0.0) == (first.x_m, first.y_m)
    assert (0.0, 30.9) == pytest.approx((second.x_m, second.y_m), abs=0.05)


def test_sender_keeps_an_absolute_schedule() -> None:
    """Frames leave when they are due: lateness does not add up, and N times as fast is N times as short."""

    class LazyClock(ManualClock):
        def sleep(self, secs: float, /) -> None:
            super().sleep(secs + 0.004)  # as a system that always oversleeps

    for speed in (1.0, 4.0):
        clock = LazyClock()
        with UdpFeed(port=0) as feed:
            sent = send(some_frames(101), port=feed.port, speed=speed, clock=clock)
            assert 101 == len(collect(feed, 101)) == sent.datagrams
        assert 5.0 / speed == pytest.approx(clock.now_s, abs=0.005)


def test_sender_counts_what_can_not_be_sent() -> None:
    """A sender does not fall over when nobody listens or the address is wrong."""
    with pytest.raises(FeedOpenError):
        send(some_frames(1), host="no such host.invalid")
    free = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    free.bind(("127.0.0.1", 0))
    port = free.getsockname()[1]
    free.close()
    sent = send(some_frames(5), port=port, speed=math.inf)
    assert 5 == sent.datagrams + sent.refused


def test_ten_line_sender_of_the_manual() -> None:
    """A sender needs nothing but a JSON library and a socket."""
    with UdpFeed(port=0) as feed, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        for i in range(5):
            out.sendto(json.dumps({"t_s": i / 10, "x_m": 2.0 * i, "y_m": 0.0}).encode(), ("127.0.0.1", feed.port))
        assert 5 == len(collect(feed, 5))
