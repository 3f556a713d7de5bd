"""Fuzz targets: every decoder, through its adapter, with the promises that must hold for any input."""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import msgspec
import numpy as np
from feeds_loop import Loop
from fuzz_mutator import mutate

from coach.core.values import Decision
from coach.errors import CoachError
from coach.session.header import Header, encode_header
from coach.session.log import decision_line, decision_of
from coach.session.reader import SessionReader
from feeds.base import Feed
from feeds.errors import FeedEnded, FeedError
from feeds.frame import CHANNELS, MAX_JUMP_M, MAX_SPEED_MPS, Frame, rows_of
from feeds.frame_stream import FrameStreamWriter
from feeds.importers.column_map import ColumnMap
from feeds.importers.convert import convert, read_table
from feeds.importers.guess import guess_columns, map_of, missing
from feeds.messages import encode
from feeds.nmea.feed import NmeaFeed
from feeds.nmea.sentences import sentences_of, with_checksum
from feeds.packet_map.capture import read_capture, write_capture
from feeds.packet_map.encoder import packets_of
from feeds.packet_map.feed import PacketMapFeed
from feeds.packet_map.model import PacketMap, read_map
from feeds.replay import ReplayFeed
from feeds.udp import UdpFeed
from feeds.yaml_marks import parse_checked

ROOT = Path(__file__).parents[2]
FRAMES = Loop().frames(0.3, 30.0)
CONFIRMED = ("teleport", "clock_back", "clock_forward", "lap_changed")


class BrokenError(AssertionError):
    """A promise was not kept."""


class Checked:
    """Looks at every frame that leaves an adapter."""

    def __init__(self) -> None:
        self.frames = 0
        self.leaps = 0
        self._last: Frame | None = None
        self._place: Frame | None = None

    def look(self, frames: Sequence[Frame], counters: dict[str, int], already: int = 0) -> None:
        """Nothing absurd, and no leap that a run of frames did not confirm."""
        for frame in frames:
            self.frames += 1
            if not math.isfinite(frame.t_s) or frame.speed_mps > MAX_SPEED_MPS or frame.speed_mps < 0:
                raise BrokenError(f"absurd: {frame}")
            for value in (frame.throttle, frame.brake):
                if value < 0 or value > 1:
                    raise BrokenError(f"pedal: {frame}")
            for value in (frame.x_m, frame.y_m, frame.lap_distance_m, frame.steer, frame.z_m):
                if math.isinf(value) or abs(value) > 1e6:
                    raise BrokenError(f"out of the world: {frame}")
            last, place = self._last, self._place
            leap = last is not None and frame.t_s <= last.t_s
            if place is not None and math.hypot(frame.x_m - place.x_m, frame.y_m - place.y_m) > MAX_JUMP_M:
                leap = True
            self.leaps += leap
            self._last = frame
            if frame.x_m == frame.x_m and frame.y_m == frame.y_m:
                self._place = frame
        confirmed = sum(counters.get(kind, 0) for kind in CONFIRMED)
        if self.leaps > confirmed:
            raise BrokenError(f"{self.leaps} leaps, {confirmed} confirmed")


class Fake:
    """Stands where a socket or a receiver stood and gives what it was handed."""

    def __init__(self) -> None:
        self.waiting: deque[bytes] = deque()
        self.port = 0
        self.where = "listening to a fake"

    def receive(self, timeout_s: float) -> bytes | None:
        return self.waiting.popleft() if self.waiting else None

    read = receive

    def heard(self) -> None:
        """One sender."""

    def close(self) -> None:
        """Nothing is held."""


Target = Callable[[random.Random], None]


class Live:
    """A live adapter that is fed mutated messages of a driving car, some hundred to one adapter."""

    def __init__(
        self, make: Callable[[Fake], Feed], seeds: Sequence[bytes], spoil: Callable[..., bytes] = mutate
    ) -> None:
        self._make = make
        self._seeds = seeds
        self._spoil = spoil
        self._left = 0
        self._at = 0
        self._feed: Feed | None = None
        self._fake = Fake()
        self._checked = Checked()

    def __call__(self, rng: random.Random) -> None:
        if self._left == 0 or self._feed is None:
            if self._feed is not None:
                self._feed.close()
            self._fake, self._checked, self._left = Fake(), Checked(), 500
            self._feed = self._make(self._fake)
            self._at = rng.randrange(len(self._seeds))
        self._left -= 1
        self._at = (self._at + 1) % len(self._seeds)
        self._fake.waiting.append(self._spoil(rng, self._seeds[self._at], self._seeds))
        self._checked.look(self._feed.read_many(1000, 0.0), self._feed.counters)


def spoil_fields(rng: random.Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """Bytes are changed, or the values of a map that stays a map."""
    if rng.random() < 0.5:
        return mutate(rng, data, others)
    packed = data[0] >= 0x80
    fields = msgspec.msgpack.decode(data) if packed else msgspec.json.decode(data)
    odd: tuple[object, ...] = (None, -1, 1e9, 2**70, "1", [], {}, True, 0.5, math.nan, math.inf, b"x", 149.9, 151.0)
    for _ in range(rng.randint(1, 3)):
        fields[rng.choice([*fields, "t_s", "lap", "seq", "unknown"])] = rng.choice(odd)
    try:
        return msgspec.msgpack.encode(fields) if packed else msgspec.json.encode(fields)
    except (OverflowError, TypeError, msgspec.MsgspecError):
        return data


def spoil_sentence(rng: random.Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A changed sentence, half the time with the checksum that belongs to what it now says."""
    bent = mutate(rng, data, others)
    if rng.random() < 0.5:
        body = bent.split(b"*")[0].strip(b"$\r\n").decode("latin-1").encode("ascii", "replace").decode()
        bent = with_checksum(body)
    return bent


def _udp(fake: Fake) -> Feed:
    feed = UdpFeed(port=0)
    feed._datagrams.close()
    feed._datagrams = fake  # type: ignore[assignment]
    return feed


def _map(name: str) -> tuple[Callable[[Fake], Feed], list[bytes]]:
    packet_map = read_map(ROOT / "profiles" / "maps" / f"{name}.yaml")

    def make(fake: Fake) -> Feed:
        feed = PacketMapFeed(packet_map, port=0)
        feed._source.datagrams.close()  # type: ignore[union-attr]
        feed._source.datagrams = fake  # type: ignore[union-attr]
        return feed

    return make, [data for i, f in enumerate(FRAMES) for data in packets_of(packet_map, f, i)]


def _nmea(fake: Fake) -> Feed:
    feed = NmeaFeed("udp:127.0.0.1:0", origin=(50.0, 8.0))
    feed._source.close()
    feed._source = fake
    return feed


class Files:
    """Decoders of whole files, each input written to one place and read back."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        writer = FrameStreamWriter(folder / "good.arrows")
        for start in range(0, 90, 30):
            writer.write(rows_of(FRAMES[start : start + 30]))
        writer.close()
        write_capture(folder / "good.capture", [(0.1 * i, bytes([i]) * 20) for i in range(20)])
        self._stream = (folder / "good.arrows").read_bytes()
        self._capture = (folder / "good.capture").read_bytes()
        head = "Time [s];Lap;Speed (km/h);pos x;pos y;Throttle %\n"
        rows = [
            f"{f.t_s:.3f};{f.lap};{f.speed_mps * 3.6:.2f};{f.x_m:.2f};{f.y_m:.2f};{f.throttle * 100:.0f}"
            for f in FRAMES
        ]
        self._csv = (head + "\n".join(rows[:40])).encode()
        self._maps = [path.read_bytes() for path in sorted((ROOT / "profiles" / "maps").glob("*.yaml"))]
        self._columns = (
            b'columns:\n  t_s: {column: "Time [s]"}\n  x_m: {column: pos x}\n  y_m: {column: pos y, unit: ft}\n'
        )
        self._header = encode_header(Header(session="s", started_at="2026", feed="udp", rate_hz=60.0))
        self._line = decision_line(Decision(1.0, 1, 2.0, "c", "r", "held", "lost", "", math.nan, 3.0)).encode()

    def stream(self, rng: random.Random) -> None:
        """A frame stream, through the replay feed and the session reader."""
        path = self.folder / "bent.arrows"
        path.write_bytes(mutate(rng, self._stream, [self._stream]))
        checked = Checked()
        try:
            with ReplayFeed(path, math.inf) as feed:
                try:
                    while True:
                        checked.look(feed.read_many(1000, 0.0), feed.counters)
                except FeedEnded:
                    pass
        except FeedError:
            pass
        try:
            columns = SessionReader(path).columns()
            if len(columns) and not columns["speed_mps"].max() <= MAX_SPEED_MPS:
                raise BrokenError("speed in a damaged record")
        except CoachError:
            pass

    def capture(self, rng: random.Random) -> None:
        """A capture of datagrams."""
        path = self.folder / "bent.capture"
        path.write_bytes(mutate(rng, self._capture, [self._capture]))
        with suppress(FeedError):
            for _ in read_capture(path):
                pass

    def csv(self, rng: random.Random) -> None:
        """A text file, with the guess and the conversion."""
        path = self.folder / "bent.csv"
        path.write_bytes(mutate(rng, self._csv, [self._csv]))
        try:
            table = read_table(path)
            guesses = guess_columns(table)
            if not missing(guesses):
                data = convert(table, map_of(guesses)).data
                speed = data[CHANNELS.index("speed_mps")]
                if np.nanmax(np.concatenate([[0.0], speed])) > MAX_SPEED_MPS:
                    raise BrokenError("speed in an import")
        except FeedError:
            pass

    def yaml(self, rng: random.Random) -> None:
        """A packet map and a column map; a map that is accepted must decode or refuse any datagram."""
        try:
            packet_map = parse_checked(mutate(rng, rng.choice(self._maps), self._maps), "bent.yaml", PacketMap)
            feed = PacketMapFeed(packet_map, port=0)
            feed.decoder.decode(rng.randbytes(packet_map.packets[0].room), 0.0)
            feed.close()
        except FeedError as error:
            if "\n" in str(error):
                raise BrokenError("an error of more than one line") from error
        with suppress(FeedError):
            parse_checked(mutate(rng, self._columns, [self._columns]), "bent.yaml", ColumnMap)

    def session(self, rng: random.Random) -> None:
        """The header of a session and a line of its log."""
        folder = self.folder / "session"
        folder.mkdir(exist_ok=True)
        (folder / "header.json").write_bytes(mutate(rng, self._header, [self._header]))
        with suppress(CoachError):
            SessionReader(folder)
        with suppress(CoachError):
            decision_of(mutate(rng, self._line, [self._line]))


def targets(folder: Path) -> dict[str, tuple[float, Target]]:
    """Name -> share of the inputs and the target; cheap decoders, which see the open network, get most."""
    files = Files(folder)
    plain, plain_seeds = _map("plain_sender")
    grid, grid_seeds = _map("grid_sender")
    sentences = [
        s for f in FRAMES for s in sentences_of(f, 50.0 + f.y_m / 111_000, 8.0 + f.x_m / 71_000).splitlines(True)
    ]
    return {
        "own datagram, MessagePack": (0.20, Live(_udp, [encode(f) for f in FRAMES], spoil_fields)),
        "own datagram, JSON": (0.20, Live(_udp, [encode(f, "json") for f in FRAMES], spoil_fields)),
        "packet map, plain": (0.17, Live(plain, plain_seeds)),
        "packet map, grid": (0.17, Live(grid, grid_seeds)),
        "NMEA": (0.20, Live(_nmea, sentences, spoil_sentence)),
        "session frames": (0.02, files.stream),
        "session header and log": (0.02, files.session),
        "capture": (0.01, files.capture),
        "CSV": (0.005, files.csv),
        "YAML maps": (0.005, files.yaml),
    }
