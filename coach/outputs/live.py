"""Assembles all outputs of a run from the user's choice: one call to start, one to end."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from pathlib import Path
from typing import Final

from coach.errors import OutputError
from coach.outputs.base import Group, Notice, Output
from coach.outputs.bus.publisher import BusOutput
from coach.outputs.child import Report
from coach.outputs.console import ConsoleOutput
from coach.outputs.overlay.output import OverlayOutput
from coach.outputs.overlay.process import OverlaySetup
from coach.outputs.overlay.settings import Settings
from coach.outputs.supervisor import Spec, Supervisor
from coach.outputs.voice.options import VoiceOptions
from coach.outputs.voice.process import VoiceOutput, VoiceSetup
from coach.outputs.voice.renderer import Progress

GROUP: Final = "corner_coach.outputs"


def open_added(wanted: Iterable[str]) -> list[Output]:
    """Return the outputs of ``NAME`` or ``NAME:KEY=VALUE,...``; raise OutputError naming the available ones or the
    fault.
    """
    return [_open(text) for text in wanted]


def _open(text: str) -> Output:
    name, _, rest = text.partition(":")
    options = dict(pair.partition("=")[::2] for pair in rest.split(",") if pair)
    points = {point.name: point for point in entry_points(group=GROUP)}
    if name not in points:
        there = ", ".join(sorted(points)) or "none: install a package that adds one"
        raise OutputError(f"--output: expected one of {there}; found {name!r}")
    try:
        made: Output = points[name].load()(**options)
    except Exception as error:  # code of another package may raise anything; the user gets one line
        raise OutputError(f"--output {name}: {type(error).__name__}: {error}") from error
    return made


@dataclass
class OutputChoice:
    """Choice of outputs. ``voice`` or ``overlay`` None: without it. ``watch``: an address for helpers, or empty.

    ``keys`` is the engine's folder of keys, needed if ``watch`` is remote. ``processes`` false: voice and overlay are
    threads of this process (for tests, or to avoid processes).
    """

    voice: VoiceOptions | None = field(default_factory=VoiceOptions)
    overlay: Settings | None = field(default_factory=Settings)
    console: bool = True
    watch: str = ""
    keys: Path | None = None
    processes: bool = True


class Live:
    """The outputs of a run. ``durations_s`` has the length of every phrase; ``watch_address`` is for helpers.

    The constructor raises OutputError for an invalid choice, or a taken address. A missing voice, device or display is
    not an error: ``notice`` reports it and the run continues.
    """

    def __init__(
        self,
        choice: OutputChoice,
        texts: Iterable[str],
        notice: Notice,
        on_closed: Callable[[], None] | None = None,
        progress: Progress | None = None,
        on_report: Callable[[str, Report], None] | None = None,
        more: Iterable[Output] = (),
    ) -> None:
        phrases = tuple(texts)
        self._supervisor: Supervisor | None = None
        self.watch_address = ""
        self._closing = False
        outputs: list[Output] = list(more)
        options, overlay = choice.voice, choice.overlay
        # without a voice the lengths still determine how long a caption stays
        bank = (options or VoiceOptions()).checked().bank()
        if overlay is not None:
            overlay.checked()
        if options is not None:
            bank.prepare(phrases, progress)
        self.durations_s = {text: bank.duration_s(text) for text in phrases}
        if choice.watch:
            watch = BusOutput(choice.watch, choice.keys)
            self.watch_address = watch.address
            outputs.append(watch)
        if choice.console:
            outputs.append(ConsoleOutput())
        self._volume_of: list[BusOutput | VoiceOutput] = []
        specs: list[Spec] = []
        if choice.processes and (options is not None or overlay is not None):
            bus = BusOutput()
            outputs.insert(0, bus)
            self._volume_of.append(bus)
            if options is not None:
                specs.append(Spec("voice", "coach.outputs.voice.process", VoiceSetup(bus.address, options, phrases)))
            if overlay is not None:
                specs.append(Spec("overlay", "coach.outputs.overlay.process", OverlaySetup(bus.address, overlay)))
            self._supervisor = Supervisor(specs, notice, lambda _name: self._closed(on_closed), on_report)
        else:
            if options is not None:
                voice = VoiceOutput(bank, player := options.player(notice), notice, tones=options.tone_player(player))
                outputs.insert(0, voice)
                self._volume_of.append(voice)
            if overlay is not None:
                outputs.insert(0, OverlayOutput(overlay, notice, on_closed))
        self.output = Group(outputs, notice)

    @property
    def supervisor(self) -> Supervisor | None:
        """The supervisor of the processes, if there are any."""
        return self._supervisor

    def set_volume(self, share: float) -> None:
        """Set the voice's volume, 0..1; returns at once."""
        for output in self._volume_of:
            output.set_volume(share)

    def close(self) -> None:
        """End all outputs, then their processes."""
        self._closing = True
        self.output.close()
        if self._supervisor is not None:
            self._supervisor.close()

    def _closed(self, on_closed: Callable[[], None] | None) -> None:
        # the processes also exit at the end of a run: that is not a window closed by the user
        if on_closed is not None and not self._closing:
            on_closed()
