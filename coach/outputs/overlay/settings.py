"""The overlay's stored settings: position, size, opacity, locked, hidden."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec
import platformdirs

from coach.errors import OutputError
from coach.files import write_atomically
from coach.identity import APP
from coach.outputs.overlay.legible import SIZE_NAMES

OPACITY = (0.3, 1.0)


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``x``, ``y`` of the window's left top corner on the desktop [px]; None: top centre.

    ``scale`` is the desktop scale, 0 for "ask the system". ``opacity`` is 0.3 to 1. ``click_through`` locks the
    window: clicks reach what lies under it. ``hidden`` leaves only a small mark.
    """

    x: int | None = None
    y: int | None = None
    size: str = "medium"
    scale: float = 0.0
    opacity: float = 0.9
    click_through: bool = False
    hidden: bool = False

    def checked(self) -> Settings:
        """Return the same; raise OutputError with the setting, the expected values and the one found."""
        if self.size not in SIZE_NAMES:
            raise OutputError(f"overlay size: expected {', '.join(SIZE_NAMES)}, found {self.size!r}")
        if not OPACITY[0] <= self.opacity <= OPACITY[1]:
            raise OutputError(f"overlay opacity: expected {OPACITY[0]:g} to {OPACITY[1]:g}, found {self.opacity:g}")
        if self.scale != 0 and not 0.5 <= self.scale <= 4:
            raise OutputError(f"overlay scale: expected 0 (ask the system) or 0.5 to 4, found {self.scale:g}")
        return self


def settings_path() -> Path:
    """Return the settings file on this machine."""
    return Path(platformdirs.user_config_dir(APP)) / "overlay.json"


def load(path: Path | None = None) -> Settings:
    """Return the stored settings; the defaults if missing or unreadable."""
    try:
        return msgspec.json.decode((path or settings_path()).read_bytes(), type=Settings).checked()
    except (OSError, msgspec.DecodeError, OutputError):
        return Settings()  # a convenience file is no reason to stop a run


def save(settings: Settings, path: Path | None = None) -> None:
    """Store ``settings``; ignore an unwritable folder."""
    target = path or settings_path()
    with contextlib.suppress(OSError):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(target, msgspec.json.format(msgspec.json.encode(settings)), durable=False)


class SettingsWatch:
    """Detects changes of the settings file by another process, such as ``coach overlay``."""

    def __init__(self, path: Path | None = None) -> None:
        self._path = path or settings_path()
        self._seen = self._stamp()

    def save(self, settings: Settings) -> None:
        """Store ``settings``; do not report this write as news."""
        save(settings, self._path)
        self._seen = self._stamp()

    def news(self) -> Settings | None:
        """Return settings written by others since the last call, or None."""
        stamp = self._stamp()
        if stamp == self._seen:
            return None
        self._seen = stamp
        return load(self._path)

    def _stamp(self) -> tuple[int, int]:
        try:
            found = self._path.stat()
        except OSError:
            return 0, 0
        return found.st_mtime_ns, found.st_size
