"""Reports about a feed: within 3 s of a problem one line with field and fix, and one when it is over."""

from __future__ import annotations

import json
import socket
import struct
from collections.abc import Callable, Iterator

import pytest
from feeds_loop import Loop

from coach.app.live.feed_watch import FeedWatch
from feeds.frame import Frame
from feeds.messages import encode
from feeds.nmea.feed import NmeaFeed
from feeds.nmea.sentences import sentences_of, with_checksum
from feeds.packet_map.feed import PacketMapFeed
from feeds.packet_map.model import PacketMap
from feeds.udp import UdpFeed

FRAMES = Loop().frames(1.0, 60.0)
MOST_S = 3.0
Make = Callable[[Frame], bytes]


class Bench:
    """A feed on a real socket, watched by a clock that only the test moves."""

    def __init__(self, feed: UdpFeed | PacketMapFeed | NmeaFeed) -> None:
        self.feed = feed
        self.now_s = 100.0
        self.said: list[tuple[float, str]] = []
        self.watch = FeedWatch(feed, lambda line: self.said.append((self.now_s, line)), self.now_s)
        self.out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.statuses: list[str] = []

    def drive(self, frames: list[Frame], make: Make, rate_hz: float = 60.0) -> None:
        """Send each frame as ``make`` writes it, at its time."""
        for frame in frames:
            self.out.sendto(make(frame), ("127.0.0.1", self.feed.port))
            self.look(1.0 / rate_hz)

    def wait(self, seconds: float) -> None:
        """Nothing comes."""
        for _ in range(round(seconds * 20)):
            self.look(0.05)

    def look(self, step_s: float) -> None:
        self.now_s += step_s
        self.statuses.append(self.watch.look(self.feed.read_many(256, 0.0), self.now_s))

    def lines(self) -> list[str]:
        return [line for _, line in self.said]

    def when(self, words: str) -> float:
        """When a line with ``words`` was said, since the start [s]."""
        found = [at - 100.0 for at, line in self.said if words in line]
        assert 1 == len(found), f"{words!r} in {self.lines()}"
        return found[0]

    def close(self) -> None:
        self.out.close()
        self.feed.close()


@pytest.fixture
def udp() -> Iterator[Bench]:
    """Our own datagram."""
    bench = Bench(UdpFeed(port=0))
    yield bench
    bench.close()


def as_json(**changes: object) -> Make:
    """JSON of a frame with fields changed; None takes one away."""

    def make(frame: Frame) -> bytes:
        fields = json.loads(encode(frame, "json")) | changes
        return json.dumps({k: v for k, v in fields.items() if v is not None}).encode()

    return make


def test_a_good_feed_is_said_once(udp: Bench) -> None:
    """Where it listens, who sends, the rate and what is missing; then nothing more, and no status."""
    udp.wait(1.0)
    udp.drive(FRAMES[:600], as_json(steer=None, wheels_off=None))
    expected = [
        f"listening on 127.0.0.1:{udp.feed.port}",
        f"first packet from 127.0.0.1:{udp.out.getsockname()[1]} after 1.0 s",
        "60 frames a second; missing: steer, wheels_off",
    ]
    assert expected == udp.lines()
    assert {""} == set(udp.statuses)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda f: b"hello there", "a datagram cannot be decoded: expected one JSON object"),
        (lambda f: b"[1, 2]", "expected one JSON object or MessagePack map per datagram, found 6 bytes"),
        (as_json(t_s=None), "t_s: expected the session time in seconds with every datagram, found nothing"),
        (as_json(t_s=None, time=4.0), "t_s: expected the session time in seconds with every datagram, found time"),
        (as_json(t_s="4.0"), 't_s: expected a number in seconds without quotes, found the text "4.0"'),
        (as_json(gear="N"), 'gear: expected a whole number: -1 reverse, 0 neutral, 1 and up; found the text "N"'),
        (as_json(gear=2.5), "gear: expected a whole number without a decimal point, found 2.5"),
        (as_json(in_pit=0), "in_pit: expected true or false, found 0"),
        (as_json(speed_kmh=180.0), "send speed_mps in m/s instead (multiply by 0.277778)"),
        (as_json(thorttle=1.0), "thorttle: not a field of the datagram; send throttle instead"),
        (as_json(throttle=87.0), "throttle: expected 0 to 1 (percent divided by 100), found 87"),
        (as_json(speed_mps=212.0), "speed_mps: expected 0 to 150, in m/s (km/h divided by 3.6); found 212"),
        (as_json(x_m=2e7), "x_m: expected -1000 km to 1000 km, in metres; found 2e+07"),
        (as_json(t_s=5.0), "t_s: the same time in packet after packet"),
    ],
)
def test_a_mistake_is_one_line_within_three_seconds_and_one_when_it_is_over(udp: Bench, make: Make, words: str) -> None:
    """The line names the field and the fix, the status shows it too, and it ends when the sender is right again."""
    udp.drive(FRAMES[:240], as_json())
    began = udp.now_s - 100.0
    udp.drive(FRAMES[240:540], make)
    assert udp.when(words) - began < MOST_S
    assert words in udp.statuses[-1]
    count = len(udp.said)
    udp.drive(FRAMES[540:900], as_json())
    over = [line for line in udp.lines()[count:] if line.startswith("over: ")]
    assert 1 == len(over), udp.lines()
    assert "" == udp.statuses[-1]


def test_a_speed_in_km_h_is_told_by_the_motion(udp: Bench) -> None:
    """A speed that could be one, but moves the car 3.6 times too slowly, is said to be km/h."""
    udp.drive(FRAMES[:600], lambda f: as_json(speed_mps=min(f.speed_mps * 3.6, 149.0))(f))
    assert any(line.startswith("speed_mps: ") and "km/h" in line for line in udp.lines()), udp.lines()


def test_silence_before_and_while_driving(udp: Bench) -> None:
    """No packet at all names the address; a sender that stops is said once, and that data is back."""
    udp.wait(4.0)
    assert udp.when("no data, listening on 127.0.0.1:") < MOST_S
    udp.drive(FRAMES[:240], as_json())
    assert udp.when("first packet from") > 4.0
    began = udp.now_s - 100.0
    udp.wait(10.0)
    assert udp.when("no data for 2 s: is the sender still running?") - began < MOST_S
    assert "no data for 2 s: is the sender still running?" == udp.statuses[-1]
    udp.drive(FRAMES[240:480], as_json())
    assert 1 == sum(line.startswith("data again") for line in udp.lines())


def test_five_hertz_is_too_slow_and_ten_is_not(udp: Bench) -> None:
    """The rate is that of the session time; coming down from a good rate it is said within 3 s too."""
    udp.drive(FRAMES[:360], as_json())
    began = udp.now_s - 100.0
    udp.drive(FRAMES[360:960:12], as_json(), rate_hz=5.0)
    assert udp.when("5 Hz is too slow") - began < MOST_S
    udp.drive(FRAMES[960:2000:6], as_json(), rate_hz=10.0)
    assert "" == udp.statuses[-1]


def test_a_few_bad_packets_are_no_trouble(udp: Bench) -> None:
    """One in ten that cannot be decoded is a bad link: told at the end of the run, not while driving."""
    for i in range(600):
        udp.drive([FRAMES[i]], as_json() if i % 10 else lambda f: b"x")
    assert not any("decoded" in line for line in udp.lines())


def no_fix(data: bytes) -> bytes:
    """The sentences as a receiver without a fix sends them."""
    bodies = [line[1:].partition("*")[0] for line in data.decode().splitlines()]
    return b"".join(with_checksum(body.replace(",A,", ",V,", 1).replace(",4,12,", ",0,00,")) for body in bodies)


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda line: line.replace(b"*", b"*0"), "sentences "),
        (
            lambda line: bytes((b ^ 0x5A) | 0x80 for b in line) + b"\n",
            "sentences cannot be read: check cable and baud",
        ),
        (no_fix, "the receiver has no good fix"),
    ],
)
def test_a_receiver_in_trouble(spoil: Callable[[bytes], bytes], words: str) -> None:
    """Spoilt sentences name cable and baud rate, a lost fix the sky; both end with a line when it is over."""
    feed = NmeaFeed("udp:127.0.0.1:0")
    bench = Bench(feed)

    def good(frame: Frame) -> bytes:
        return sentences_of(frame, 48.0 + frame.y_m / 111_200.0, 11.0 + frame.x_m / 74_400.0)

    try:
        bench.drive(FRAMES[:600:6], good, rate_hz=10.0)
        began = bench.now_s - 100.0
        bench.drive(FRAMES[600:1200:6], lambda f: spoil(good(f)), rate_hz=10.0)
        assert bench.when(words) - began < MOST_S
        bench.drive(FRAMES[1200:1800:6], good, rate_hz=10.0)
        assert any(line.startswith("over: ") for line in bench.lines())
        assert "" == bench.statuses[-1]
    finally:
        bench.close()


def mapped(order: str, size: int = 32) -> PacketMap:
    fields = [{"field": name, "type": "f32"} for name in ("t_s", "x_m", "y_m", "speed_mps", "throttle", "brake")]
    packet = {"name": "state", "size": size, "fields": fields}
    return PacketMap.model_validate({"name": "mine", "port": 1, "byte_order": order, "packets": [packet]})


def packed(frame: Frame) -> bytes:
    return struct.pack("<6f8x", *(getattr(frame, n) for n in ("t_s", "x_m", "y_m", "speed_mps", "throttle", "brake")))


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (mapped("big"), "the packets make sense in the other byte order only: set byte_order: little in the map"),
        (mapped("little", 40), "packets have 32 bytes, the map mine expects 40 bytes: set size in the map"),
    ],
)
def test_a_map_that_does_not_fit_is_one_line(made: PacketMap, words: str) -> None:
    """Byte order and size are told by one line each, whatever else follows from them."""
    bench = Bench(PacketMapFeed(made, port=_free()))
    try:
        bench.drive(FRAMES[300:600], packed)
        assert bench.when(words) < MOST_S
        others = [line for line in bench.lines()[2:] if words not in line]
        assert [] == [line for line in others if "frames a second" not in line]
    finally:
        bench.close()


def _free() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def test_seven_hertz_is_too_slow_still(udp: Bench) -> None:
    """And a rate is told from eight steps on, not from seven."""
    for step, frame in enumerate(FRAMES[: 9 * 9 : 9]):
        udp.drive([frame], as_json(), rate_hz=60.0 / 9.0)
        assert (udp.watch.rate_hz == udp.watch.rate_hz) is (step >= 8)
    udp.drive(FRAMES[81:900:9], as_json(), rate_hz=60.0 / 9.0)
    assert any("7 Hz is too slow" in line for line in udp.lines())


@pytest.mark.parametrize(("bad", "said"), [(0.17, False), (0.24, True)])
def test_a_fifth_of_bad_packets_is_trouble(udp: Bench, bad: float, said: bool) -> None:
    for i in range(600):
        udp.drive([FRAMES[i]], as_json() if int((i + 1) * bad) == int(i * bad) else lambda f: b"x")
    assert any("decoded" in line for line in udp.lines()) is said
