"""Printing of ``coach check``, ``coach doctor`` and the queries of ``coach replay``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import msgspec
from rich.table import Table

from coach.app.replay.auditing import Phrase
from coach.app.replay.check import Checked, renew_command
from coach.app.replay.compare import Difference, short
from coach.cli.show import as_json as print_json
from coach.cli.show import console, say, warn


def show_voices(json: bool) -> None:
    """Print the voices of the speech engine."""
    from coach.outputs.voice.renderer import list_voices

    voices = list_voices()
    if json:
        print_json(voices)
        return
    for voice in voices:
        say("  ".join(voice.values()))


def show_devices(json: bool) -> None:
    """Print the sound outputs."""
    from coach.outputs.voice.device import list_devices

    devices = list_devices()
    if json:
        print_json(devices)
        return
    for device in devices:
        say(device)
    if not devices:
        say("no sound output")


def show_latency(json: bool) -> None:
    """Measure and print the delay from cue to sound and to pixel, with the product's own processes."""
    from coach.cli.progress import phrase_progress
    from coach.outputs.latency import measure_latency

    with phrase_progress() as progress:
        figures = measure_latency(notice=warn, progress=progress)
    if json:
        print_json(figures)
        return
    table = Table("what", "times", "median", "95 %", "longest", "how", box=None)
    for f in figures:
        table.add_row(f.what, str(f.n), *(_ms(v) for v in (f.median_ms, f.p95_ms, f.most_ms)), f.how)
    console.print(table)


def _ms(value: float) -> str:
    return f"{value:.1f} ms" if value == value else "-"


FAILED = 1


def show_one(done: Checked) -> None:
    """Print one finished session."""
    bad = len(done.failures)
    verdict = "as expected" if not bad else f"{bad} of {done.expectations} not as expected"
    say(f"{done.session}: {verdict}, {done.spoken} cues spoken")
    for line in done.failures:
        say(f"  {line}")
    for path in done.renewed:
        say(f"  written: {path}")


def show_end(folder: Path, checked: Sequence[Checked], json: bool) -> int:
    """Print the end of a check; return 1 and print the renewal command if something failed."""
    failed = any(c.failures for c in checked)
    if json:
        rows = [
            {
                "session": str(c.session),
                "expectations": c.expectations,
                "spoken": c.spoken,
                "failures": c.failures,
                "renewed": [str(p) for p in c.renewed],
            }
            for c in checked
        ]
        print_json(
            {"schema": 1, "failed": failed, "sessions": rows, "renew": renew_command(folder) if failed else None}
        )
    elif failed:
        say(f"to accept these decisions: {renew_command(folder)}")
    return FAILED if failed else 0


def show_audit(found: Sequence[Phrase], json: bool) -> int:
    """Print every phrase on a line; return 1 if one exceeds its limit."""
    over = [p for p in found if p.too_much]
    if json:
        rows = [{**msgspec.structs.asdict(p.row), "seconds": p.seconds, "too_much": p.too_much} for p in found]
        print_json({"schema": 1, "phrases": rows})
        return FAILED if over else 0
    say(f"{'words':>5} {'units':>5} {'s':>5}  {'form':11} {'rule':20} text")
    for p in found:
        r = p.row
        mark = "  <- over the limit" if p.too_much else ""
        say(f"{r.words:5} {r.units:5} {p.seconds:5.2f}  {r.form:11} {r.rule:20} {r.text}{mark}")
    longest = max(found, key=lambda p: p.seconds, default=None)
    if longest is not None:
        say(f"{len(found)} phrases, {len(over)} over the limit, longest {longest.seconds:.1f} s: {longest.row.text!r}")
    return FAILED if over else 0


def show_compared(differences: Sequence[Difference], file: Path | None) -> None:
    """Print the short comparison; the full one is in ``file``."""
    for line in short(differences):
        say(line)
    if file is not None:
        say(f"all differences: {file}")
