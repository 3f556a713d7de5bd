"""What the overlay remembers from run to run: place, size, opacity, whether clicks go through."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec
import platformdirs

from coach import APP
from coach.errors import OutputError
from coach.files import write_atomically
from coach.outputs.overlay.legible import SIZE_NAMES

OPACITY = (0.3, 1.0)


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """``x``, ``y`` of the window's left top corner on the desktop [px]; None: the system places it.

    ``scale`` is the desktop scale, 0 for "ask the system". ``opacity`` is 0.3 to 1.
    """

    x: int | None = None
    y: int | None = None
    size: str = "medium"
    scale: float = 0.0
    opacity: float = 0.9
    click_through: bool = False

    def checked(self) -> Settings:
        """The same, or OutputError naming the field, what was found and what is allowed."""
        if self.size not in SIZE_NAMES:
            raise OutputError(f"overlay size {self.size!r}: allowed are {', '.join(SIZE_NAMES)}")
        if not OPACITY[0] <= self.opacity <= OPACITY[1]:
            raise OutputError(f"overlay opacity {self.opacity:g}: allowed is {OPACITY[0]:g} to {OPACITY[1]:g}")
        if self.scale != 0 and not 0.5 <= self.scale <= 4:
            raise OutputError(f"overlay scale {self.scale:g}: allowed is 0 (ask the system), or 0.5 to 4")
        return self


def settings_path() -> Path:
    """Where the settings are kept on this machine."""
    return Path(platformdirs.user_config_dir(APP)) / "overlay.json"


def load(path: Path | None = None) -> Settings:
    """The remembered settings; the defaults when there are none or they can not be read."""
    try:
        return msgspec.json.decode((path or settings_path()).read_bytes(), type=Settings).checked()
    except (OSError, msgspec.DecodeError, OutputError):
        return Settings()  # remembered comfort, not a person's file: not worth stopping a run


def save(settings: Settings, path: Path | None = None) -> None:
    """Remember ``settings``; a folder that can not be written is passed over in silence."""
    target = path or settings_path()
    with contextlib.suppress(OSError):
        target.parent.mkdir(parents=True, exist_ok=True)
        write_atomically(target, msgspec.json.format(msgspec.json.encode(settings)), durable=False)
