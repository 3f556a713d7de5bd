"""Makes the sample captures of the two example maps: run ``python tests/tools/make_captures.py`` in the repository."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "unit" / "feeds")]

from feeds_loop import Loop  # noqa: E402 - needs the path above

from feeds.packet_map.capture import write_capture  # noqa: E402
from feeds.packet_map.encoder import packets_of  # noqa: E402
from feeds.packet_map.model import read_map  # noqa: E402

SECONDS = 20.0


def make(name: str, rate_hz: float) -> None:
    """Twenty seconds of a car on an invented course, as the map ``name`` would have them sent."""
    packet_map = read_map(ROOT / "profiles" / "maps" / f"{name}.yaml")
    frames = Loop().frames(laps=1.0, rate_hz=rate_hz, start_m=2300.0)[: int(SECONDS * rate_hz)]
    datagrams = []
    for number, frame in enumerate(frames):
        for packet, data in zip(packet_map.packets, packets_of(packet_map, frame, number, player=9), strict=True):
            if packet.each_frame or number % int(rate_hz / 2) == 0:
                datagrams.append((frame.t_s, data))
    path = ROOT / "replay_samples" / "captures" / f"{name}.arrows"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    count = write_capture(path, datagrams)
    print(f"{path.relative_to(ROOT)}: {count} datagrams, {path.stat().st_size} bytes")


if __name__ == "__main__":
    make("plain_sender", 60.0)
    make("grid_sender", 50.0)
