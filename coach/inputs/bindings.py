"""Button bindings of this machine, by device name, so that a replugged wheel is recognised."""

from __future__ import annotations

from pathlib import Path
from typing import Final, Literal, get_args

import msgspec
import platformdirs

from coach.errors import DataError
from coach.files import write_atomically
from coach.identity import APP

Function = Literal["repeat", "last_corner", "quiet_lap", "louder", "softer", "mark", "next_cues"]
FUNCTIONS: Final[dict[Function, str]] = {
    "repeat": "say that again",
    "last_corner": "say the costliest thing of the corner just driven",
    "quiet_lap": "not now: silent for this lap",
    "louder": "louder",
    "softer": "softer",
    "mark": "mark this place",
    "next_cues": "next cue set: first_laps, improving, race, ask",
}
"""Button functions and their labels."""
KEYBOARD: Final = "keyboard"
MAX_BINDINGS: Final = 64


class Press(msgspec.Struct, frozen=True):
    """One press: a device's name and its button (from 0), or the keyboard and a key's name."""

    device: str
    button: int = -1
    key: str = ""

    def __str__(self) -> str:
        return f"key {self.key}" if self.device == KEYBOARD else f"{self.device}, button {self.button}"


class Binding(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One button or key and its function."""

    function: Function
    device: str
    button: int = -1
    key: str = ""

    @property
    def press(self) -> Press:
        """The press that triggers it."""
        return Press(self.device, self.button, self.key)


class Bindings(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename={"schema_number": "schema"}):
    """All bindings; a press has at most one function, a function may have several buttons."""

    schema_number: Literal[1] = 1
    bindings: tuple[Binding, ...] = ()

    def function(self, press: Press) -> Function | None:
        """Return the function of ``press``."""
        return next((b.function for b in self.bindings if b.press == press), None)

    def bound(self, function: Function, press: Press) -> Bindings:
        """Return the bindings with ``press`` for ``function``, replacing its previous function."""
        others = tuple(b for b in self.bindings if b.press != press)
        return Bindings(bindings=(*others, Binding(function, press.device, press.button, press.key)))

    def cleared(self, function: Function | None) -> Bindings:
        """Return the bindings without the buttons of ``function``; None removes all."""
        return Bindings(bindings=tuple(b for b in self.bindings if function is not None and b.function != function))

    def for_real_car(self) -> Bindings:
        """Return only the first binding: a real car allows one button, usable without looking."""
        return Bindings(bindings=self.bindings[:1])


def bindings_path() -> Path:
    """Return the file of the bindings on this machine."""
    return Path(platformdirs.user_config_dir(APP)) / "buttons.json"


def load(path: Path | None = None) -> Bindings:
    """Return the bindings stored at ``path``, empty without a file. Raise DataError naming the invalid field."""
    path = path or bindings_path()
    try:
        found = msgspec.json.decode(path.read_bytes(), type=Bindings)
    except FileNotFoundError:
        return Bindings()
    except (OSError, msgspec.MsgspecError) as error:
        why = getattr(error, "strerror", None) or error
        raise DataError(str(path), f"{why}; expected what coach buttons writes: bind again, or delete it") from None
    if len(found.bindings) > MAX_BINDINGS:
        raise DataError(str(path), f"expected at most {MAX_BINDINGS} bindings, found {len(found.bindings)}")
    for i, binding in enumerate(found.bindings):
        if (binding.device == KEYBOARD) != bool(binding.key) or (not binding.key and binding.button < 0):
            raise DataError(
                str(path), f"bindings[{i}]: expected a button from 0, or a key's name; found {binding.press}"
            )
    return found


def save(bindings: Bindings, path: Path | None = None) -> Path:
    """Store ``bindings`` and return the file. Raise OSError on failure."""
    path = path or bindings_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, msgspec.json.format(msgspec.json.encode(bindings)))
    return path


def function_of(text: str) -> Function:
    """Return ``text`` as a function; raise DataError listing the functions."""
    if text not in get_args(Function):
        raise DataError("coach buttons", f"expected one of {', '.join(FUNCTIONS)}; found {text!r}")
    function: Function = text  # type: ignore[assignment]  # it is one of them
    return function
