"""Tries packet maps on live datagrams or on a capture."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from coach.app.live.recording import interrupts
from coach.app.sources import address_of, speed_of
from coach.app.sources.files import Trial, capture, read_capture, read_map, send_capture, try_live
from coach.errors import CoachError

SHOW_EVERY_S = 0.5


class NoPacketsError(CoachError):
    """No packets arrived, so a map cannot be tried."""


def try_map(
    path: Path,
    host: str,
    port: int | None,
    recorded: Path | None,
    seconds: float,
    on_change: Callable[[Trial], None] = lambda trial: None,
) -> Trial:
    """Decode packets for ``seconds`` (or all of a capture); call ``on_change`` twice a second."""
    packet_map = read_map(path)
    if recorded is not None:
        trial = Trial(packet_map)
        trial.push_all(read_capture(recorded))
        return trial
    stop = threading.Event()
    with interrupts(stop):
        return try_live(
            packet_map, port, host, seconds=seconds, on_trial=on_change, every_s=SHOW_EVERY_S, stop=stop.is_set
        )


def nothing_came(trial: Trial, host: str, port: int | None, recorded: Path | None, seconds: float) -> str:
    """Return the message for missing packets, with the port and what to check."""
    if recorded is not None:
        return f"{recorded}: found no packet in the capture"
    where = f"{host}:{trial.packet_map.port if port is None else port}"
    return f"no packet came to {where} in {seconds:g} s: is the sender on, and does it send to this address and port?"


def keep_datagrams(path: Path, host: str, port: int, seconds: float) -> int:
    """Store incoming datagrams and return their number. Ctrl-C ends it early. Raise FeedError on failure."""
    stop = threading.Event()
    with interrupts(stop):
        return capture(path, port, host, seconds=seconds, stop=stop.is_set)


def play_capture(path: Path, to: str, speed: str) -> int:
    """Send a capture and return the number of datagrams. Raise FeedError or SourceError on failure."""
    host, port = address_of(to)
    return send_capture(path, host, port, speed_of(speed))
