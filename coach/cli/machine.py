"""Listings and measurements of ``coach doctor``."""

from __future__ import annotations

from rich.table import Table

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
