"""Options and result of a drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from coach.app.engine import RunStats
from coach.app.sources import FeedOptions
from coach.app.voice_choice import voice_for
from coach.core.cue.tones import ToneOptions
from coach.outputs.voice.options import VoiceOptions
from coach.profile.language_file import load_language


@dataclass(frozen=True)
class OutputOptions:
    """Options of the outputs."""

    voice: bool = True
    overlay: bool = True
    lines: bool = True
    words_per_minute: int = 160
    voice_id: str = ""
    device: str = ""
    volume: float = 1.0
    buffer: int = 512
    mark: bool = False
    tones: bool = False
    watch: str = ""
    keys: Path | None = None
    processes: bool = True
    language: str = "en"
    """A shipped language or the path of its file."""
    units: str = "metric"
    more: tuple[str, ...] = ()
    """Outputs of other packages, ``NAME`` or ``NAME:KEY=VALUE,...``."""


@dataclass(frozen=True)
class DriveOptions:
    """Options of the command line."""

    asked: FeedOptions
    profile: str
    rules: str
    driver: str = "driver"
    laps: int | None = None
    heard: OutputOptions = field(default_factory=OutputOptions)
    record: Path | None = None
    recording: bool = True
    survey_after: int = 0
    """Without a profile: make one after this many valid laps and continue with it; 0 never."""
    circuit: str = ""
    """Circuit name in a new profile."""
    buttons: bool = True
    """Use the bound buttons and keys."""
    tones: ToneOptions = field(default_factory=ToneOptions)


@dataclass
class RunResult:
    """Result of a drive; ``coached`` is false without a profile."""

    tally: RunStats
    session: Path | None
    counters: dict[str, int] = field(default_factory=dict)
    lost_frames: int = 0
    coached: bool = True


def voice_options(heard: OutputOptions, pronounce: Mapping[str, str]) -> VoiceOptions:
    """Return the requested voice, else one that speaks the language, with its and the profile's pronunciations."""
    words = load_language(heard.language)
    return VoiceOptions(
        voice=heard.voice_id or (voice_for(words) if heard.voice else ""),
        rate_wpm=heard.words_per_minute,
        volume=heard.volume,
        device=heard.device,
        buffer=heard.buffer,
        mark=heard.mark,
        tones=heard.tones,
        pronunciations={**words.pronounce, **pronounce},
    )
