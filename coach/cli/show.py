"""What the commands print: tables for a person, JSON for a program."""

from __future__ import annotations

import sys
from collections import Counter
from typing import TYPE_CHECKING, Any

import msgspec
from rich.console import Console
from rich.table import Table

from coach.core.advice import to_do, what
from coach.core.values import KMH
from coach.outputs.console import lap_time

if TYPE_CHECKING:
    from coach.app.debrief import Debrief
    from coach.app.drive import Ran
    from coach.app.replaying import Replayed
    from coach.app.surveying import Surveyed

PLACES = 3
NOTHING_S = 0.005
TREND_LAPS = 10
START = "start"
"""The row of the straight before the first corner; shown only when something was lost there."""
console = Console(highlight=False, markup=False, soft_wrap=True)


def say(line: str) -> None:
    """One line for the user."""
    console.print(line)


def warn(line: str) -> None:
    """One line beside the output proper."""
    Console(stderr=True, highlight=False, markup=False, soft_wrap=True).print(f"coach: {line}", style="yellow")


def as_json(value: Any) -> None:
    """``value`` as JSON on standard output; what is not known is null."""
    sys.stdout.write(msgspec.json.format(msgspec.json.encode(value), indent=2).decode() + "\n")


def show_survey(done: Surveyed, json: bool) -> None:
    """Laps, corners and what the merge kept."""
    found = done.survey
    if json:
        as_json(
            {
                "profile": str(done.profile),
                "circuit": found.reference.circuit,
                "length_m": found.reference.length_m,
                "reference_lap": found.reference_lap,
                "lap_time_s": found.reference.lap_time_s,
                "inferred_pedals": found.reference.inferred_pedals,
                "corners": [_corner(c) for c in found.corners],
                "laps": [
                    {"lap": lap.number, "time_s": lap.time_s, "valid": lap.valid, "reason": lap.reason}
                    for lap in found.laps
                ],
                "notes": found.notes,
                "merged": msgspec.to_builtins(done.merged) if done.merged is not None else None,
            }
        )
        return
    reference = found.reference
    say(
        f"{reference.circuit}: {reference.length_m:.0f} m, reference is lap {found.reference_lap} "
        f"({lap_time(reference.lap_time_s)}), {len(found.corners)} corners"
    )
    table = Table("corner", "turns", "brake", "turn-in", "apex", "exit", "end", "gear", "apex kind", "boards", box=None)
    for c in found.corners:
        places = [f"{x:.0f}" if x == x else "-" for x in (c.brake_m, c.turn_in_m, c.apex_m, c.exit_m, c.end_m)]
        boards = " ".join(f"{b:.0f}" for b in c.boards_m) or "-"
        table.add_row(c.name, c.direction, *places, str(c.gear or "-"), c.apex or "-", boards)
    console.print(table)
    for lap in found.laps:
        if not lap.valid:
            say(f"left out: lap {lap.number} ({lap_time(lap.time_s)}): {lap.reason}")
    for note in found.notes:
        say(note)
    if done.merged is not None:
        _show_merge(done.merged)
    if done.tail:
        say(done.tail)
    say(f"written: {done.profile}")


def _corner(corner: Any) -> dict[str, Any]:
    return {
        name: None if isinstance(value, float) and value != value else sorted(value) if name == "muted" else value
        for name, value in msgspec.structs.asdict(corner).items()
    }


def _show_merge(merged: Any) -> None:
    for corner, fieldname, ours, theirs in merged.kept:
        say(f"kept your {fieldname} of {corner}: {ours} (the survey found {theirs})")
    if merged.added:
        say(f"new corners: {', '.join(merged.added)}")
    for corner in merged.vanished:
        say(f"{corner} was not found again and stays as it is")
    for corner, why in merged.refused:
        say(f"{corner}: the survey's numbers were not taken, {why}")
    for direction, apex_m in merged.left_out:
        say(
            f"the {direction} corner at {apex_m:.0f} m was deleted from the profile and stays out (see its last_survey)"
        )
    say(f"{len(merged.refreshed)} numbers refreshed")


def show_debrief(done: Debrief, json: bool) -> None:
    """Three places to gain, then the corners, then the laps."""
    if json:
        as_json(done)
        return
    best = next((lap for lap in done.laps if lap.lap == done.best_lap), None)
    line = f"{done.circuit}: {len(done.laps)} laps"
    if best is not None:
        line += f", best {lap_time(best.time_s)} (lap {best.lap})"
    if done.possible_best_s is not None:
        line += f", possible {lap_time(done.possible_best_s)} from your own pieces"
    say(line + f", reference {lap_time(done.reference_s)}")
    for note in done.notes:
        say(note)
    console.print()
    if done.gains:
        table = Table("", "corner", "a lap", "what", "do this", "seen", box=None)
        for i, gain in enumerate(done.gains[:PLACES]):
            table.add_row(
                str(i + 1),
                gain.corner,
                f"{gain.cost_s:.2f} s",
                what(gain.fault, gain.amount),
                to_do(gain.fault, gain.amount),
                f"{gain.laps} of {gain.of}",
            )
        console.print(table)
    else:
        say("nothing stands out: no fault cost more than your own scatter")
    console.print()
    _show_corners(done)
    _show_laps(done)


def _show_corners(done: Debrief) -> None:
    table = Table(box=None, padding=(0, 2, 0, 0))
    table.add_column("corner", no_wrap=True)
    for heading in ("lost", "entry", "middle", "exit", "after"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("trend", no_wrap=True)
    for heading in ("spread s", "brake ± m", "lowest ± km/h"):
        table.add_column(heading, justify="right")
    spread = {s.corner: s for s in done.spread}
    order: list[str] = []
    for lap in done.laps:
        order += [c.corner for c in lap.corners if c.corner not in order]
    for name in order:
        rows = [c for lap in done.laps if lap.valid for c in lap.corners if c.corner == name]
        total = [c.loss_s + c.loss_straight_s for c in rows]
        if not rows or (name == START and all(abs(t) < NOTHING_S for t in total)):
            continue
        n = len(rows)
        parts = [
            sum(values) / n
            for values in (
                [c.loss_entry_s for c in rows],
                [c.loss_middle_s for c in rows],
                [c.loss_exit_s for c in rows],
                [c.loss_straight_s for c in rows],
            )
        ]
        s = spread.get(name)
        brake = f"{s.brake_start_m:.1f}" if s is not None and s.brake_start_m is not None else "-"
        slow = f"{s.min_speed_mps * KMH:.1f}" if s is not None and s.min_speed_mps is not None else "-"
        spread_s = f"{s.loss_s:.2f}" if s is not None else "-"
        table.add_row(name, _seconds(sum(total) / n), *map(_seconds, parts), spark(total), spread_s, brake, slow)
    console.print(table)
    console.print()


def _seconds(loss: float) -> str:
    """Hundredths with their sign; a dot for nothing, so that the eye finds what is something."""
    return f"{loss:+.2f}" if abs(loss) >= NOTHING_S else "·"


def spark(values: list[float]) -> str:
    """A row of blocks, higher for more loss: the trend over laps at a glance."""
    blocks = "▁▂▃▄▅▆▇█"
    low, high = min(values), max(values)
    span = max(high - low, 0.05)
    return "".join(blocks[int((v - low) / span * (len(blocks) - 1))] for v in values[-TREND_LAPS:])


def _show_laps(done: Debrief) -> None:
    table = Table("lap", "time", "to reference", "", box=None)
    for lap in done.laps[-20:]:
        mark = "best" if lap.lap == done.best_lap else "" if lap.valid else f"does not count: {lap.why_invalid}"
        table.add_row(str(lap.lap), lap_time(lap.time_s), f"{lap.delta_s:+.3f} s", mark)
    console.print(table)


def show_replay(done: Replayed, json: bool) -> None:
    """How many cues, how many held back and why, and how fast it went."""
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
        say(f"lap {d.lap:>3}  {d.t_s:9.2f} s  {d.s_m:7.1f} m  {d.corner}: {d.text}")
    held = ", ".join(f"{count} {reason}" for reason, count in reasons.most_common())
    say(f"{len(spoken)} cues spoken in {len(done.laps)} laps; held back: {held or 'none'}")
    say(f"{done.frames} frames, {done.session_s:.1f} s of driving in {done.took_s:.2f} s: {times:.0f} times real time")
    if done.log is not None:
        say(f"decision log: {done.log}")


def show_ran(ran: Ran) -> None:
    """The end of a run."""
    valid = [lap for lap in ran.tally.laps if lap.valid]
    if valid:
        best = min(valid, key=lambda lap: lap.time_s)
        say(f"best lap {best.lap}: {lap_time(best.time_s)}")
    troubles = {k: v for k, v in ran.counters.items() if v and k not in ("received", "frames")}
    if troubles:
        say("feed: " + ", ".join(f"{v} {k.replace('_', ' ')}" for k, v in sorted(troubles.items())))
    if ran.lost_frames:
        say(f"{ran.lost_frames} frames could not be recorded")
    if ran.session is not None:
        say(f"session: {ran.session}")
        say(f"next: coach {'debrief' if ran.tally.laps else 'survey'} {ran.session}")
