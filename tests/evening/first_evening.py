"""The first evening of two new users, from nothing to the first coached lap, with the product's own commands.

    python tests/evening/first_evening.py [FILE]

A simulator owner with packets of his own, and a track-day driver with a satellite receiver, each with an empty home.
Every command runs as a process of its own; the feeds are driven as fast as they are taken. What the terminal shows is
printed, and written to FILE. ``test_first_evening.py`` runs the same scenes and looks at what they said.
"""

from __future__ import annotations

import json
import socket
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1] / "tools"), str(Path(__file__).parent), str(Path(__file__).parents[2])]

from evening_players import PACKET_MAP, Coach, Sender, free_port, nmea_log, packet  # noqa: E402
from generated_circuits import generated_circuit  # noqa: E402

from feeds.frame import Frame  # noqa: E402
from feeds.practice import FaultPlan, Habit, Scatter, faultless, simulate  # noqa: E402

SEED = 5
OTHER_SEED = 7
LENGTH_M = 2600.0
FAULT_LAPS = (5, 6, 7)
"""The driver brakes early here, so that there is something to coach."""
LAPS = 7

Tell = Callable[[str], object]


@dataclass
class Scene:
    """One command: all lines that it printed, and its exit code."""

    lines: list[str]
    code: int

    def has(self, words: str) -> bool:
        """Whether a line holds ``words``."""
        return any(words in line for line in self.lines)


def driven(seed: int = SEED, laps: int = LAPS) -> list[Frame]:
    """The laps of an evening on a circuit that has no profile."""
    base = faultless(generated_circuit(seed, LENGTH_M))
    faults = FaultPlan((Habit(base.corners[1].name, "brake_early", 25.0, laps=FAULT_LAPS),))
    return list(simulate(base, laps, seed=3, scatter=Scatter(0.5, 0.05, 0.05), faults=faults).frames())


def run(home: Path, arguments: Sequence[object], tell: Tell) -> Scene:
    """A command that ends by itself."""
    coach = Coach(home, arguments, tell)
    code = coach.end()
    return Scene(coach.lines, code)


def simulator_owner(home: Path, tell: Tell) -> dict[str, Scene]:
    """Packets of his own: the map is wrong first; then one command makes the profile and coaches."""
    frames = driven()
    scenes: dict[str, Scene] = {}
    port, watch = free_port(), f"tcp://127.0.0.1:{free_port(socket.SOCK_STREAM)}"
    right, wrong = home / "mine.yaml", home / "first_try.yaml"
    right.write_text(PACKET_MAP.format(port=port, order="little"))
    wrong.write_text(PACKET_MAP.format(port=port, order="big"))
    tell("# The sender is not on yet.")
    scenes["nothing"] = run(home, ("map", "try", right, "--seconds", "0.5"), tell)
    tell("# The map has the wrong byte order.")
    scenes["byte order"] = _trouble(
        home, ("drive", "--map", wrong, "--no-voice", "--no-overlay"), port, "byte_order",
        (packet(f, i) for i, f in enumerate(frames)), tell,
    )  # fmt: skip
    tell("# The product's own datagram as JSON, with mistakes: one after the other.")
    for name, words, make in _json_mistakes():
        scenes[name] = _trouble(
            home, ("drive", "--port", port, "--no-voice", "--no-overlay"), port, words,
            (json.dumps(make(f)).encode() for f in frames), tell,
        )  # fmt: skip
    tell("# The map is right: from nothing to the first coached lap.")
    arguments = (
        "drive", "--map", right, "--survey-after", "3", "--circuit", "Gravel Bowl", "--no-voice", "--no-overlay",
        "--watch", watch,
    )  # fmt: skip
    scenes["evening"] = _evening(home, arguments, port, watch, frames, tell)
    scenes["debrief"] = run(home, ("debrief",), tell)
    return scenes


def _json_mistakes() -> Iterator[tuple[str, str, Callable[[Frame], dict[str, object]]]]:
    def plain(f: Frame) -> dict[str, object]:
        return {"t_s": f.t_s, "x_m": f.x_m, "y_m": f.y_m, "speed_mps": f.speed_mps, "lap_distance_m": f.lap_distance_m}

    yield "text gear", "gear: expected a whole number", lambda f: {**plain(f), "gear": "N"}
    yield "no time", "t_s: expected the session time", lambda f: {k: v for k, v in plain(f).items() if k != "t_s"}
    yield "km/h", "speed_kmh: not a field", lambda f: {**plain(f), "speed_kmh": f.speed_mps * 3.6}


def _trouble(
    home: Path, arguments: Sequence[object], port: int, words: str, data: Iterator[bytes], tell: Tell
) -> Scene:
    """Drive with something wrong until the coach says it."""
    coach = Coach(home, arguments, tell)
    sender = Sender(port, "")
    try:
        coach.wait_for("listening on")
        sender.until(coach, words, data)
        coach.interrupt()
        return Scene(coach.lines, coach.end())
    finally:
        sender.close()


def _evening(
    home: Path, arguments: Sequence[object], port: int, watch: str, frames: Sequence[Frame], tell: Tell
) -> Scene:
    coach = Coach(home, arguments, tell)
    coach.wait_for("listening on")
    coach.wait_for("helpers can watch")
    sender = Sender(port, watch)
    try:
        course = iter(frames)
        sender.drive(course, lambda f: coach.said("making the profile", 0.0))
        # the profile is made while he drives on
        sender.idle(coach, "profile made", course)
        sender.drive(course, lambda f: False)
        sender.caught_up(frames[-1].t_s - 0.5)
        coach.interrupt()
        return Scene(coach.lines, coach.end())
    finally:
        sender.close()


def track_day_driver(home: Path, tell: Tell) -> dict[str, Scene]:
    """A receiver's log: too slow first, then 10 Hz; and a second circuit on the wrong profile."""
    frames = driven()
    scenes: dict[str, Scene] = {}
    slow = nmea_log(home / "slow.nmea", frames[: 60 * 60], 12)
    good = nmea_log(home / "evening.nmea", frames, 6)
    other = nmea_log(home / "elsewhere.nmea", driven(OTHER_SEED, 3), 6)
    back = nmea_log(home / "reversed.nmea", _reversed(frames[: 60 * 240]), 6)
    quiet = ("--speed", "max", "--no-voice", "--no-overlay")
    tell("# The receiver is set to 5 Hz.")
    scenes["slow"] = run(home, ("drive", "--receiver", f"file:{slow}", *quiet), tell)
    tell("# At 10 Hz: from nothing to the first coached lap.")
    scenes["evening"] = run(
        home, ("drive", "--receiver", f"file:{good}", "--survey-after", "3", "--circuit", "Gravel Bowl", *quiet), tell
    )
    scenes["debrief"] = run(home, ("debrief",), tell)
    tell("# Another circuit, and the same one in the other direction, with this profile.")
    profile = "gravel-bowl"
    scenes["elsewhere"] = run(home, ("drive", "--receiver", f"file:{other}", "--profile", profile, *quiet), tell)
    scenes["elsewhere debrief"] = run(home, ("debrief",), tell)
    scenes["reversed"] = run(home, ("drive", "--receiver", f"file:{back}", "--profile", profile, *quiet), tell)
    tell("# The right circuit with the wrong profile: the one that fits is named.")
    scenes["named"] = run(home, ("drive", "--receiver", f"file:{good}", "--profile", "hollow_ridge", *quiet), tell)
    return scenes


def _reversed(frames: Sequence[Frame]) -> list[Frame]:
    """The same way driven backwards."""
    last = frames[-1].t_s
    return [Frame(last - f.t_s, x_m=f.x_m, y_m=f.y_m, speed_mps=f.speed_mps) for f in reversed(frames)]


def main() -> None:
    """Both evenings, on the screen and into a file if one is named."""
    lines: list[str] = []

    def tell(line: str) -> None:
        lines.append(line)
        print(line, flush=True)

    for title, evening in (("Simulator owner", simulator_owner), ("Track-day driver", track_day_driver)):
        tell(f"== {title} ==\n")
        with tempfile.TemporaryDirectory(prefix="evening-") as home:
            evening(Path(home), tell)
    if len(sys.argv) > 1:
        Path(sys.argv[1]).write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
