"""Printing of commands: lines for people, JSON for programs."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import msgspec
from rich.console import Console

from coach.outputs.console import corner_before, lap_time

if TYPE_CHECKING:
    from coach.app.live.drive_options import RunResult
    from coach.app.replay.replaying import Replayed

TREND_LAPS = 10
console = Console(highlight=False, markup=False, emoji=False, soft_wrap=True)


def say(line: str) -> None:
    """Print one line for the user."""
    console.print(line)


def warn(line: str) -> None:
    """Print one line on standard error."""
    Console(stderr=True, highlight=False, markup=False, emoji=False, soft_wrap=True).print(
        f"coach: {line}", style="yellow"
    )


def as_json(value: Any) -> None:
    """Print ``value`` as JSON; unknown values are null."""
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(value), indent=2).decode() + "\n")


def spark(values: Sequence[float]) -> str:
    """Return a sparkline of blocks, higher for more loss."""
    blocks = "▁▂▃▄▅▆▇█"
    low, high = min(values), max(values)
    span = max(high - low, 0.05)
    return "".join(blocks[int((v - low) / span * (len(blocks) - 1))] for v in values[-TREND_LAPS:])


def show_replay(done: Replayed, json: bool) -> None:
    """Print the number of cues, held ones with reasons, and the speed."""
    spoken = [d for d in done.decisions if d.outcome == "spoken"]
    reasons = Counter(d.reason for d in done.decisions if d.outcome == "held")
    times = done.session_s / done.took_s if done.took_s > 0.0 else float("nan")
    if json:
        as_json(
            {
                "circuit": done.setup.circuit,
                "frames": done.frames,
                "session_s": done.session_s,
                "took_s": done.took_s,
                "times_real_time": times,
                "spoken": len(spoken),
                "held": dict(reasons),
                "laps": done.laps,
                "log": str(done.log) if done.log is not None else None,
            }
        )
        return
    for note in done.notes:
        say(note)
    for d in spoken:
        say(f"lap {d.lap:>3}  {d.t_s:9.2f} s  {d.s_m:7.1f} m  {corner_before(d)}{d.text}")
    held = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common())
    say(f"{len(spoken)} cues spoken in {len(done.laps)} laps; held back: {held or 'none'}")
    say(f"{done.frames} frames, {done.session_s:.1f} s of driving in {done.took_s:.2f} s: {times:.0f} times real time")
    if done.log is not None:
        say(f"decision log: {done.log}")


def show_ran(ran: RunResult) -> None:
    """Print the end of a run."""
    from coach.app.sources import count_lines

    valid = [lap for lap in ran.tally.laps if lap.valid]
    if valid:
        best = min(valid, key=lambda lap: lap.time_s)
        say(f"best lap {best.lap}: {lap_time(best.time_s)}")
    troubles = {k: v for k, v in ran.counters.items() if v and k not in ("received", "frames")}
    if lines := count_lines(troubles):
        say("feed: " + "; ".join(lines))
    if lost := ran.counters.get("position_lost"):
        say(f"position lost {lost} times")
    if ran.lost_frames:
        say(f"{ran.lost_frames} frames could not be recorded")
    if not ran.coached and ran.tally.laps:
        say("laps: " + ", ".join(lap_time(lap.time_s) for lap in ran.tally.laps))
    if not ran.tally.frames:
        say("no usable data came in: nothing was recorded")
        return
    if ran.session is None:
        return
    say(f"session: {ran.session}")
    if ran.coached and ran.tally.laps:
        say(f"next: coach debrief {ran.session}")
    elif not ran.coached:
        enough = any(lap.valid for lap in ran.tally.laps)
        say(f"next: coach survey {ran.session}" if enough else "no full lap yet: drive at least one to make a profile")
