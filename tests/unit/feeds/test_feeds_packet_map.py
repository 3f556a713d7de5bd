from __future__ import annotations

import math
import socket
import struct
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from feeds_contract import FeedContract, collect, some_frames
from feeds_loop import Loop
from hypothesis import given
from hypothesis import strategies as st

from feeds.base import Feed
from feeds.clock import ManualClock
from feeds.counters import Counters
from feeds.errors import FeedError, FeedFormatError, FeedOpenError
from feeds.frame import Frame
from feeds.packet_map.capture import capture, read_capture, send_capture
from feeds.packet_map.decoder import MapDecoder
from feeds.packet_map.diagnostics import diagnose
from feeds.packet_map.encoder import packets_of
from feeds.packet_map.feed import PacketMapFeed
from feeds.packet_map.model import PacketMap, read_map
from feeds.packet_map.trial import Trial, trial_answer, try_live
from feeds.units import UNITS
from feeds.yaml_marks import parse_checked

MAPS = Path(__file__).parents[3] / "profiles" / "maps"
CAPTURES = Path(__file__).parents[3] / "replay_samples" / "captures"
NAMES = ["plain_sender", "grid_sender"]


class MapSource:
    def __init__(self, name: str) -> None:
        self.map = read_map(MAPS / f"{name}.yaml")
        self.port = 0
        self.number = 0
        self.out = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)

    def open(self) -> Feed:
        feed = PacketMapFeed(self.map, port=self.port)
        self.port = feed.port
        return feed

    def give(self, feed: Feed, frames: Sequence[Frame]) -> None:
        for frame in frames:
            self.number += 1
            for data in packets_of(self.map, frame, self.number):
                self.out.sendto(data, ("127.0.0.1", self.port))

    def give_garbage(self, feed: Feed) -> None:
        self.out.sendto(b"garbage", ("127.0.0.1", self.port))

    def close(self) -> None:
        self.out.close()


class TestPacketMapContract(FeedContract):
    @pytest.fixture(params=NAMES)
    def source(self, request: pytest.FixtureRequest) -> Iterator[MapSource]:
        source = MapSource(request.param)
        yield source
        source.close()


def made(**changes: Any) -> PacketMap:
    fields = changes.pop(
        "fields", [{"field": "t_s", "type": "f64"}, {"field": "x_m", "type": "f32"}, {"field": "y_m", "type": "f32"}]
    )
    packet = {"name": "p", "size": 64, "fields": fields, **changes.pop("packet", {})}
    return PacketMap.model_validate({"name": "m", "packets": [packet], **changes})


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("player", [0, 20])
def test_what_a_map_encodes_it_decodes(name: str, player: int) -> None:
    """Every field the example maps have survives the way there and back, within what its type can hold."""
    packet_map = read_map(MAPS / f"{name}.yaml")
    decoder = MapDecoder(packet_map, Counters())
    for number, frame in enumerate(Loop().frames(0.1)):
        frames = [
            f for data in reversed(packets_of(packet_map, frame, number, player)) for f in decoder.decode(data, 0.0)
        ]
        assert 1 == len(frames)
        for field in packet_map.fields - {"seq", "traction_control", "anti_lock"}:
            expected, actual = getattr(frame, field), getattr(frames[0], field)
            coarse = 0.003 if field in ("throttle", "brake", "t_s", "steer") else 1e-3
            assert expected == pytest.approx(actual, abs=coarse), field


def test_values_are_those_of_struct() -> None:
    """A packet packed with the standard library by hand, big-endian, decodes to the numbers that were packed."""
    packet_map = read_map(MAPS / "grid_sender.yaml")
    cars = bytearray(1300)
    struct.pack_into(">BBxxIIxxB", cars, 0, 7, 1, 900, 61_250, 4)
    struct.pack_into(">fff", cars, 40 + 4 * 60, 100.5, 7.25, -30.5)
    struct.pack_into(">f", cars, 40 + 4 * 60 + 24, 180.0)
    controls = bytearray(48)
    struct.pack_into(">BBxxI", controls, 0, 7, 2, 900)
    struct.pack_into(">BBhBxxxB", controls, 16, 255, 51, -2500, 4, 3)
    struct.pack_into(">HH", controls, 40, 9, 2)
    lap = bytearray(24)
    struct.pack_into(">BB6xi", lap, 0, 7, 4, 12)
    decoder = MapDecoder(packet_map, Counters())
    assert [] == decoder.decode(bytes(lap), 0.0) + decoder.decode(bytes(cars), 0.0)
    (frame,) = decoder.decode(bytes(controls), 0.0)
    assert (61.25, 100.5, 30.5, 7.25) == (frame.t_s, frame.x_m, frame.y_m, frame.z_m)
    assert (50.0, 1.0, 0.2, 0.25) == pytest.approx((frame.speed_mps, frame.throttle, frame.brake, frame.steer))
    assert (12, 3, True, 2) == (frame.lap, frame.gear, frame.in_pit, frame.wheels_off)


def test_flags_absent_values_overlap_and_turn() -> None:
    """Bits, listed values, values that mean absent, places that overlap, and a turned plane."""
    packet_map = made(
        turn_deg=90.0,
        fields=[
            {"field": "t_s", "type": "u32", "unit": "ms"},
            {"field": "x_m", "type": "f32"},
            {"field": "y_m", "type": "f32"},
            {"field": "vx_mps", "type": "f32"},
            {"field": "vy_mps", "type": "f32"},
            {"field": "gear", "type": "i8", "absent": -128},
            {"field": "in_pit", "type": "u8", "bit": 3},
            {"field": "anti_lock", "at": 20, "type": "u16", "on": [0x0881]},
        ],
    )
    decoder = MapDecoder(packet_map, Counters())
    data = struct.pack("<Iffffbb", 1500, 3.0, 4.0, 6.0, 8.0, -127, 8).ljust(64, b"\0")
    (frame,) = decoder.decode(data, 0.0)
    assert (1.5, -4.0, 3.0, 10.0) == pytest.approx((frame.t_s, frame.x_m, frame.y_m, frame.speed_mps))
    assert (-127, True, True) == (frame.gear, frame.in_pit, frame.anti_lock)
    data = struct.pack("<Iffffbb", 1500, 3.0, 4.0, 6.0, 8.0, -128, 7).ljust(64, b"\0")
    (frame,) = decoder.decode(data, 0.0)
    assert (None, False, False) == (frame.gear, frame.in_pit, frame.anti_lock)


def test_latitude_and_longitude_go_on_the_plane() -> None:
    """A map with latitude and longitude gives x and y."""
    packet_map = made(
        clock="arrival",
        fields=[
            {"field": "lat_deg", "type": "i32", "unit": "1e-7 deg"},
            {"field": "lon_deg", "type": "i32", "unit": "1e-7 deg"},
        ],
    )
    decoder = MapDecoder(packet_map, Counters(), origin=(50.0, 8.0))
    (frame,) = decoder.decode(struct.pack("<ii", 500_000_000, 80_001_000).ljust(64, b"\0"), 12.5)
    assert (12.5, 7.17, 0.0) == pytest.approx((frame.t_s, frame.x_m, frame.y_m), abs=0.01)
    assert {"x_m", "y_m", "t_s"} <= packet_map.fields


def numbered(packet_map: PacketMap, n: int) -> list[list[bytes]]:
    return [packets_of(packet_map, f, i) for i, f in enumerate(some_frames(n))]


def test_packets_of_one_moment_are_joined_in_any_order() -> None:
    """Losing, doubling and reordering the parts: each frame once, in order; a lost part leaves its fields absent."""
    packet_map = read_map(MAPS / "grid_sender.yaml")
    counters = Counters()
    decoder = MapDecoder(packet_map, counters)
    cars, controls, lap = zip(*numbered(packet_map, 6), strict=True)
    order = [
        lap[0],
        cars[0], controls[0],
        controls[1], cars[1], cars[1],  # the other way round, one twice
        cars[2],  # its controls are lost
        cars[3], cars[2], controls[3],  # an old one in between
        controls[4],  # its cars are lost: no time, no frame
        cars[5], controls[5],
    ]  # fmt: skip
    got = [f for data in order for f in decoder.decode(data, 0.0)]
    assert [0.0, 0.05, 0.1, 0.15, 0.25] == [f.t_s for f in got]
    assert [0.0, 0.0, None, 0.0, 0.0] == [None if math.isnan(f.throttle) else f.throttle for f in got]
    assert {"duplicate": 1, "late": 1, "time_refused": 1} == counters
    assert {1} == {f.lap for f in got}


def test_slow_packets_hold_for_a_while() -> None:
    """Values of a packet that comes now and then are used for ``hold_s``, not for ever."""
    packet_map = read_map(MAPS / "grid_sender.yaml")
    decoder = MapDecoder(packet_map, Counters())
    cars, controls, lap = zip(*numbered(packet_map, 2), strict=True)
    decoder.decode(lap[0], 10.0)
    first = decoder.decode(cars[0], 11.9) + decoder.decode(controls[0], 11.9)
    second = decoder.decode(cars[1], 12.1) + decoder.decode(controls[1], 12.1)
    assert [1, None] == [f.lap for f in first + second]


def test_a_restarted_sender_is_followed() -> None:
    """When the frame numbers begin again the packets are new ones, not late ones."""
    packet_map = read_map(MAPS / "grid_sender.yaml")
    decoder = MapDecoder(packet_map, Counters())
    got = []
    for number in [5000, 5001, 0, 1]:
        for data in packets_of(packet_map, some_frames(1)[0], number):
            got += decoder.decode(data, 0.0)
    assert 4 == len(got)


@given(st.binary(max_size=80) | st.binary(min_size=1300, max_size=1300) | st.binary(min_size=64, max_size=64))
def test_any_datagram_is_decoded_or_counted(data: bytes) -> None:
    """No datagram makes the decoder raise."""
    for name in NAMES:
        counters = Counters()
        decoder = MapDecoder(read_map_once(name), counters)
        decoder.decode(data, 0.0)


_maps: dict[str, PacketMap] = {}


def read_map_once(name: str) -> PacketMap:
    if name not in _maps:
        _maps[name] = read_map(MAPS / f"{name}.yaml")
    return _maps[name]


def test_bit_errors_with_right_headers_are_counted() -> None:
    """A player's number beyond the cars and a float beyond the world hold no frame and are counted."""
    packet_map = read_map(MAPS / "grid_sender.yaml")
    counters = Counters()
    decoder = MapDecoder(packet_map, counters)
    data = bytearray(packets_of(packet_map, some_frames(1)[0], 1)[0])
    data[14] = 21
    assert [] == decoder.decode(bytes(data), 0.0)
    assert {"malformed": 1} == counters


TEXT = """\
name: mine
packets:
  - name: state
    size: 16
    when:
      - {at: 0, type: u8, is: 1}
    fields:
      - {field: t_s, at: 4, type: f32}
      - {field: x_m, type: f32}
      - {field: y_m, type: f32}
"""


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("type: u8, is", "type: u9, is", r"mine.yaml:6: packets.1.when.1.type: expected one of u8, i8"),
        ("is: 1", "is: 300", r"mine.yaml:6: .*expected a value of u8, found 300"),
        ("size: 16", "size: 15", r"mine.yaml:3: packets.1: field y_m ends at byte 16, the packet at 15"),
        ("field: x_m", "field: xx", r"mine.yaml:9: .*expected one of t_s, x_m.*; found 'xx'"),
        ("at: 4, type: f32", "at: 4, type: f32, unit: m", r"mine.yaml:8: .*t_s: expected one of s, ms.*; found 'm'"),
        ("at: 4, type: f32", "at: four, type: f32", r"mine.yaml:8: packets.1.fields.1.at: expected .*; found 'four'"),
        ("at: 4, type: f32", "at: 4", r"mine.yaml:8: packets.1.fields.1.type: expected a value, found nothing"),
        ("size: 16", "sise: 16", r"mine.yaml:4: packets.1.sise: unknown field"),
        ("    size: 16\n", "", r"mine.yaml:3: packets.1: .*either size or at_least"),
        ("field: t_s", "field: z_m", r"mine.yaml:1: the map: .*expected a packet with t_s, or clock: arrival; found neither"),
        ("field: y_m", "field: z_m", r"mine.yaml:1: the map: .*no packet has a place"),
        ("field: y_m", "field: x_m", r"mine.yaml:3: .*x_m is in packet state more than once"),
        ("name: mine", "name: mine\nport: 0", r"mine.yaml:2: port: expected .*; found 0"),
        ("name: mine", "name: [", r"mine.yaml:\d: not YAML"),
        ("name: mine", "- mine", r"mine.yaml:\d: not YAML"),
        ("at: 4, type: f32", "at: 4, type: f32, of_car: true", r"mine.yaml:3: .*fields of_car but no cars"),
    ],
)  # fmt: skip
def test_mistakes_are_named_with_their_line(old: str, new: str, expected: str) -> None:
    """A mistake in a map names file, line, field, what was found and what is allowed."""
    parse_checked(TEXT.encode(), "mine.yaml", PacketMap)
    assert old in TEXT
    with pytest.raises(FeedFormatError, match=expected) as caught:
        parse_checked(TEXT.replace(old, new, 1).encode(), "mine.yaml", PacketMap)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("field", "written", "unit"),
    [
        ("throttle", "%", "percent"),
        ("speed_mps", "kph", "km/h"),
        ("steer", "°", "deg"),
        ("throttle", "percent", "percent"),
    ],
)
def test_units_may_be_written_as_people_write_them(field: str, written: str, unit: str) -> None:
    """A percent sign, kph and a degree sign are units like their plain names."""
    more = f"      - {{field: {field}, type: f32, unit: '{written}'}}\n"
    text = TEXT.replace("size: 16", "size: 20") + more
    found = parse_checked(text.encode(), "mine.yaml", PacketMap).packets[0].placed()[-1].field
    assert (unit, UNITS[field][unit]) == (found.unit, found.factor)


def test_files_that_are_no_maps(tmp_path: Path) -> None:
    """Missing, binary, empty, huge and deeply aliased files: one clear line."""
    with pytest.raises(FeedOpenError, match="cannot be read"):
        read_map(tmp_path / "none.yaml")
    bomb = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
        f"{n}: &{n} [{','.join(['*' + p] * 9)}]\n" for p, n in zip("abcdefgh", "bcdefghi", strict=True)
    )
    for content in (b"\xff\xfe\x00", b"", b"a" * 300_000, bomb.encode(), b"[" * 5000, b"1"):
        (tmp_path / "m.yaml").write_bytes(content)
        with pytest.raises(FeedFormatError, match=r"m\.yaml"):
            read_map(tmp_path / "m.yaml")


@pytest.mark.parametrize("name", NAMES)
def test_sample_captures_play(name: str) -> None:
    """The captures that come with the product hold 20 s of a moving car, on schedule, with no packet unexplained."""
    clock = ManualClock()
    with PacketMapFeed(MAPS / f"{name}.yaml", capture=CAPTURES / f"{name}.arrows", clock=clock) as feed:
        got = collect(feed, 10_000, within_s=20)
        assert not feed.live
    assert (20.0, 1.0) == pytest.approx((clock.now_s, got[-1].t_s / clock.now_s), abs=0.05)
    assert {"received", "frames"} == set(feed.counters)
    assert {1, 2} == {f.lap for f in got} - {None}  # a lap packet comes after the first frames


def test_capture_and_send_over_real_sockets(tmp_path: Path) -> None:
    """A capture stores packets byte for byte, and can be sent again."""
    sent = [data for _, data in read_capture(CAPTURES / "plain_sender.arrows")][:50]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
        left = list(sent)

        def stop() -> bool:
            if left:
                out.sendto(left.pop(0), ("127.0.0.1", port))
                return False
            return True

        assert 49 <= capture(tmp_path / "c.arrows", port, stop=stop)
    kept = [data for _, data in read_capture(tmp_path / "c.arrows")]
    assert sent[: len(kept)] == kept
    with PacketMapFeed(MAPS / "plain_sender.yaml", port=0) as feed:
        assert len(kept) == send_capture(tmp_path / "c.arrows", "127.0.0.1", feed.port, speed=math.inf)
        assert len(kept) == len(collect(feed, len(kept)))
    with pytest.raises(FeedOpenError, match="such a file already"):
        capture(tmp_path / "c.arrows", port)
    (tmp_path / "text").write_text("hello")
    with pytest.raises(FeedError, match="not a capture"):
        list(read_capture(tmp_path / "text"))
    with pytest.raises(FeedOpenError, match="cannot be opened"):
        list(read_capture(tmp_path / "none"))


def changed(name: str, field: str, **changes: Any) -> PacketMap:
    """The example map with one field described differently."""
    packet_map = read_map_once(name)
    packets = []
    for packet in packet_map.packets:
        fields = [f.model_copy(update=changes) if getattr(f, "field", "") == field else f for f in packet.fields]
        packets.append(packet.model_copy(update={"fields": tuple(fields)}))
    return packet_map.model_copy(update={"packets": tuple(packets)})


def tried(packet_map: PacketMap, name: str) -> Trial:
    trial = Trial(packet_map)
    trial.push_all(read_capture(CAPTURES / f"{name}.arrows"))
    return trial


@pytest.mark.parametrize("name", NAMES)
def test_nothing_looks_wrong_with_a_right_map(name: str) -> None:
    """The example maps raise no doubt on their own captures; the answer holds one row per field."""
    trial = tried(read_map_once(name), name)
    assert [] == trial.problems()
    assert [] == [(r.field, r.doubt) for r in trial.rows() if r.doubt]
    answer = trial_answer(trial)
    assert msgspec.json.decode(msgspec.json.encode(answer))["map"] == read_map_once(name).name
    assert len(read_map_once(name).fields) == len(answer["fields"])


@pytest.mark.parametrize(
    ("name", "field", "changes", "where", "expected"),
    [
        ("grid_sender", "speed_mps", {"unit": ""}, "speed_mps", "try unit: km/h"),
        ("plain_sender", "x_m", {"scale": 0.5}, "speed_mps", "unit, scale or axes are wrong"),
        ("grid_sender", "throttle", {"unit": ""}, "throttle", "try unit: byte"),
        ("grid_sender", "t_s", {"unit": ""}, "t_s", "try unit: ms"),
        ("plain_sender", "steer", {"scale": -1.0}, "steer", "scale -1"),
        ("grid_sender", "y_m", {"at": 52}, "y_m", "never changes"),
        ("plain_sender", "throttle", {"scale": 2.0, "shift": -1.0}, "throttle", "scale and shift are needed"),
    ],
)  # fmt: skip
def test_mistakes_in_a_map_are_recognised(
    name: str, field: str, changes: dict[str, Any], where: str, expected: str
) -> None:
    """A wrong unit, scale, sign or place of a field is told at the field, with what to try."""
    said = {r.field: r.doubt for r in tried(changed(name, field, **changes), name).rows()}
    assert expected in said[where]


@pytest.mark.parametrize("noise_m", [0.0, 0.3])
@pytest.mark.parametrize("rate_hz", [10.0, 60.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_sign_of_steering_is_told_on_noisy_positions(noise_m: float, rate_hz: float, sign: float) -> None:
    """A car that weaves at 30 m/s, its positions off by ``noise_m``: only steering of the wrong sign is doubted."""
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 40.0, 1.0 / rate_hz)
    heading = 1.2 * np.sin(0.4 * t)
    steer = sign * 0.48 * np.cos(0.4 * t)
    ways = (np.cos(heading), np.sin(heading))
    x, y = (np.cumsum(30.0 / rate_hz * way) + rng.normal(0.0, noise_m, len(t)) for way in ways)
    frames = [
        Frame(t_s=float(a), x_m=float(b), y_m=float(c), speed_mps=30.0 + 0.001 * (k % 2), steer=float(d))
        for k, (a, b, c, d) in enumerate(zip(t, x, y, steer, strict=True))
    ]
    said = dict(diagnose(frames, "little"))
    assert ("scale -1" in said.get("steer", "")) is (sign < 0)
    assert "speed_mps" not in said


def test_swapped_axes_are_recognised() -> None:
    """Height taken for north: the trial says which two to swap."""
    swapped = changed("grid_sender", "y_m", at=4, scale=1.0)
    packets = list(swapped.packets)
    fields = tuple(
        f.model_copy(update={"at": 8, "scale": -1.0}) if getattr(f, "field", "") == "z_m" else f
        for f in packets[0].fields
    )
    packets[0] = packets[0].model_copy(update={"fields": fields})
    said = {
        r.field: r.doubt for r in tried(swapped.model_copy(update={"packets": tuple(packets)}), "grid_sender").rows()
    }
    assert "swap y_m and z_m" in said["y_m"]


def test_wrong_byte_order_size_and_tests_are_recognised() -> None:
    """The wrong byte order, a size no packet has, a test none passes, and silence: each is told as such."""
    right = read_map_once("plain_sender")
    assert "nothing came in" in Trial(right).problems()[0]
    order = right.model_copy(
        update={"byte_order": "big", "packets": (right.packets[0].model_copy(update={"when": ()}),)}
    )
    assert "byte_order: little" in " ".join(tried(order, "plain_sender").problems())
    assert "1200 of 64 bytes" in tried(made(packet={"size": 32}), "plain_sender").problems()[0]
    mark = made(packet={"when": [{"at": 0, "type": "u8", "is": 9}]})
    assert "pass no test of the map" in tried(mark, "plain_sender").problems()[0]


def test_a_map_is_tried_on_a_port() -> None:
    """Live trial: packets that come in on the port are shown while they come; a port in use is one clear line."""
    packets = [data for _, data in read_capture(CAPTURES / "plain_sender.arrows")][:60]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        with pytest.raises(FeedOpenError, match="in use"):
            try_live(read_map_once("plain_sender"), port)
    shown: list[int] = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:

        def stop() -> bool:
            if packets:
                out.sendto(packets.pop(0), ("127.0.0.1", port))
                return False
            return True

        trial = try_live(
            read_map_once("plain_sender"), port, on_trial=lambda t: shown.append(len(t.frames)), every_s=1e-4, stop=stop
        )
    assert len(trial.frames) >= 59
    assert len(shown) > 1
    assert shown[-1] == len(trial.frames)


def test_an_origin_must_be_a_place_on_earth() -> None:
    """A wrong origin is told when the feed is opened."""
    with pytest.raises(FeedOpenError, match=r"origin 91\.0, 0\.0 is not a latitude"):
        PacketMapFeed(MAPS / "plain_sender.yaml", port=0, origin=(91.0, 0.0))
