"""Which button does what, kept for this machine: by the device's name, so that a replugged wheel is known again."""

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
"""What a button can ask for, and what it is called."""
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
    """One button or key and what it asks for."""

    function: Function
    device: str
    button: int = -1
    key: str = ""

    @property
    def press(self) -> Press:
        """The press it waits for."""
        return Press(self.device, self.button, self.key)


class Bindings(msgspec.Struct, frozen=True, forbid_unknown_fields=True, rename={"schema_number": "schema"}):
    """All that is bound; a press asks for at most one function, a function may have several buttons."""

    schema_number: Literal[1] = 1
    bindings: tuple[Binding, ...] = ()

    def function(self, press: Press) -> Function | None:
        """What ``press`` asks for."""
        return next((b.function for b in self.bindings if b.press == press), None)

    def bound(self, function: Function, press: Press) -> Bindings:
        """With ``press`` for ``function``; what it asked for before it asks for no more."""
        others = tuple(b for b in self.bindings if b.press != press)
        return Bindings(bindings=(*others, Binding(function, press.device, press.button, press.key)))

    def cleared(self, function: Function | None) -> Bindings:
        """Without the buttons of ``function``; None: without any."""
        return Bindings(bindings=tuple(b for b in self.bindings if function is not None and b.function != function))

    def for_real_car(self) -> Bindings:
        """The first binding alone: in a real car one button at most, and nothing that needs a look."""
        return Bindings(bindings=self.bindings[:1])


def bindings_path() -> Path:
    """Where the bindings are kept on this machine."""
    return Path(platformdirs.user_config_dir(APP)) / "buttons.json"


def load(path: Path | None = None) -> Bindings:
    """The bindings kept at ``path``; none when there is no file. DataError names the field that is wrong."""
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
    """Keep ``bindings``; the file. Raises OSError when it can not be written."""
    path = path or bindings_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    write_atomically(path, msgspec.json.format(msgspec.json.encode(bindings)))
    return path


def function_of(text: str) -> Function:
    """``text`` as a function; DataError lists those there are."""
    if text not in get_args(Function):
        raise DataError("coach buttons", f"expected one of {', '.join(FUNCTIONS)}; found {text!r}")
    function: Function = text  # type: ignore[assignment]  # it is one of them
    return function
