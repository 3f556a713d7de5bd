"""The two new users' senders, and the coach in a process of its own whose lines can be waited for."""

from __future__ import annotations

import os
import queue
import shlex
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Final

from coach.core.values import View
from coach.outputs.bus.subscriber import Subscriber
from feeds.frame import Frame
from feeds.nmea.sentences import sentences_of
from feeds.plane import Plane

LONGEST_S: Final = 120.0
"""A line that has not come after so long will not come."""
AHEAD_S: Final = 5.0
"""Driving that may be on its way to the coach [s of session time]."""
PACKET: Final = "<4sIdfffffffBb2x"
"""The simulator owner's packet, his own invention: mark, number, time, x, y, speed km/h, throttle, brake, steer,
lap distance, lap, gear."""
PACKET_MAP: Final = """\
name: evening sender
port: {port}
byte_order: {order}
packets:
  - name: state
    size: 48
    fields:
      - {{skip: 4}}
      - {{field: seq, type: u32}}
      - {{field: t_s, type: f64}}
      - {{field: x_m, type: f32}}
      - {{field: y_m, type: f32}}
      - {{field: speed_mps, type: f32, unit: km/h}}
      - {{field: throttle, type: f32}}
      - {{field: brake, type: f32}}
      - {{field: steer, type: f32}}
      - {{field: lap_distance_m, type: f32}}
      - {{field: lap, type: u8}}
      - {{field: gear, type: i8}}
"""


def packet(frame: Frame, number: int) -> bytes:
    """One packet of the simulator owner."""
    return struct.pack(
        PACKET, b"EVE1", number, frame.t_s, frame.x_m, frame.y_m, frame.speed_mps * 3.6, frame.throttle, frame.brake,
        frame.steer, frame.lap_distance_m, frame.lap or 0, frame.gear or 0,
    )  # fmt: skip


def nmea_log(path: Path, frames: Sequence[Frame], every: int) -> Path:
    """The receiver's log of each ``every``-th frame, somewhere on earth."""
    plane = Plane(48.0, 11.0)
    # at 1 km from the origin the plane is flat to a centimetre
    north, east = plane.to_xy(48.01, 11.0)[1] / 0.01, plane.to_xy(48.0, 11.01)[0] / 0.01
    path.write_bytes(b"".join(sentences_of(f, 48.0 + f.y_m / north, 11.0 + f.x_m / east) for f in frames[::every]))
    return path


def free_port(kind: socket.SocketKind = socket.SOCK_DGRAM) -> int:
    """A port that nobody uses now."""
    with socket.socket(socket.AF_INET, kind) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Coach:
    """``coach ARGUMENTS`` as a process with a home of its own; ``lines`` is all that it printed so far."""

    def __init__(self, home: Path, arguments: Sequence[object], tell: Callable[[str], object]) -> None:
        self.lines: list[str] = []
        self._tell = tell
        tell(f"$ coach {shlex.join(map(str, arguments))}")
        env = {**os.environ, "HOME": str(home), "COLUMNS": "150", "PYTHONUNBUFFERED": "1"}
        for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME"):
            env.pop(name, None)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "coach", *map(str, arguments)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, env=env, text=True,
            encoding="utf-8", cwd=home,
        )  # fmt: skip
        self._queue: queue.Queue[str | None] = queue.Queue()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._queue.put(line.rstrip())
        self._queue.put(None)

    def said(self, words: str, wait_s: float) -> bool:
        """Whether a line with ``words`` is there, waiting at most ``wait_s`` for the next line."""
        while True:
            if any(words in line for line in self.lines):
                return True
            try:
                line = self._queue.get(timeout=wait_s)
            except queue.Empty:
                return False
            if line is None:
                self._queue.put(None)
                raise AssertionError(f"the coach ended without saying {words!r}:\n" + "\n".join(self.lines))
            self._take(line)

    def wait_for(self, words: str) -> None:
        """Wait for a line with ``words``."""
        assert self.said(words, LONGEST_S), f"not said: {words!r}\n" + "\n".join(self.lines)

    def interrupt(self) -> None:
        """Ctrl-C."""
        self._process.send_signal(signal.SIGINT)

    def end(self) -> int:
        """Wait for the end; the exit code."""
        code = self._process.wait(LONGEST_S)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()
        while (line := self._queue.get_nowait()) is not None:
            self._take(line)
        self._tell(f"(exit code {code})\n")
        return code

    def _take(self, line: str) -> None:
        self.lines.append(line)
        self._tell(line)


class Sender:
    """Sends frames over UDP as fast as the coach takes them: its own state on the bus says how far it is."""

    def __init__(self, port: int, watch: str) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._to = ("127.0.0.1", port)
        self._bus = Subscriber(watch) if watch else None
        self._number = 0
        self._reached_s = float("-inf")

    def raw(self, data: bytes) -> None:
        """One datagram as it is."""
        self._socket.sendto(data, self._to)

    def until(self, coach: Coach, words: str, datagrams: Iterator[bytes]) -> None:
        """Send one after the other until the coach says ``words``."""
        for data in datagrams:
            self.raw(data)
            if coach.said(words, 0.01):
                return
        raise AssertionError(f"all was sent, and not said: {words!r}\n" + "\n".join(coach.lines))

    def drive(self, frames: Iterator[Frame], until: Callable[[Frame], bool]) -> None:
        """Send frames until ``until`` is true of one, never more than AHEAD_S before what the coach has reached."""
        began = None
        for frame in frames:
            began = frame.t_s if began is None else began
            while frame.t_s - max(self._reached_s, began) > AHEAD_S and self._heard(LONGEST_S):
                pass
            self._send(frame)
            if until(frame):
                return

    def idle(self, coach: Coach, words: str, frames: Iterator[Frame]) -> None:
        """Drive on, one second for each state that the coach publishes, until it says ``words``."""
        for i, frame in enumerate(frames):
            self._send(frame)
            if i % 60 == 0 and (coach.said(words, 0.001) or not self._heard(LONGEST_S)):
                return
        raise AssertionError(f"all was driven, and not said: {words!r}")

    def caught_up(self, t_s: float) -> None:
        """Wait until the coach has reached ``t_s`` [s]."""
        while self._reached_s < t_s and self._heard(LONGEST_S):
            pass

    def _send(self, frame: Frame) -> None:
        self.raw(packet(frame, self._number))
        self._number += 1

    def _heard(self, wait_s: float) -> bool:
        assert self._bus is not None
        messages = self._bus.read(wait_s)
        for message in messages:
            if isinstance(message, View) and message.state != "waiting":
                self._reached_s = max(self._reached_s, message.t_s)
        return bool(messages)

    def close(self) -> None:
        """Give back what is open."""
        self._socket.close()
        if self._bus is not None:
            self._bus.close()
