"""Help in groups, options that commands share, and one-line errors with code 2 for a wrong command line."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import typer
from typer.core import TyperGroup

BEFORE: Final = "Before driving"
DRIVING: Final = "While driving"
AFTER: Final = "After driving"
DATA: Final = "Your data"
CHECKING: Final = "Checking"
ORDER: Final = (BEFORE, DRIVING, AFTER, DATA, CHECKING)


if TYPE_CHECKING:
    from coach.core.unit_system import Units

LANGUAGE_HELP: Final = "Language of the voice: en, de or a language file."
UNITS_HELP: Final = "metric (km/h, m), imperial (mph, ft) or yards (mph, yd, boards in yards)."


def units_named(name: str) -> Units:
    """Return the system of that name; raise typer.BadParameter for any other."""
    from coach.core.unit_system import SYSTEMS

    if name not in SYSTEMS:
        raise typer.BadParameter(f"expected one of {', '.join(SYSTEMS)}; found {name!r}", param_hint="--units")
    return SYSTEMS[name]


def laps_to_survey(asked: int | None) -> int:
    """Return the number of laps before a profile is made: as requested, else from a prompt at a terminal; 0
    for never.
    """
    from coach.app.live.first_drive import PROFILE_LAPS

    if asked is not None:
        return asked
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        return 0
    import typer

    question = f"No profile for this circuit. Make one after {PROFILE_LAPS} laps and coach from then on?"
    return PROFILE_LAPS if typer.confirm(question, default=True) else 0


USAGE_ERRORS: Final[Any] = typer.BadParameter.__mro__[1]
"""The exception for a wrong option, argument or command; typer has no public name for it."""


def typed(context: typer.Context) -> frozenset[str]:
    """Return the parameters given on the command line."""
    names = context.params
    return frozenset(
        n for n in names if (source := context.get_parameter_source(n)) is not None and source.name == "COMMANDLINE"
    )


def refuse_without(context: typer.Context, needs: Mapping[str, str], names: Mapping[str, str]) -> None:
    """Raise typer.BadParameter for an option without the one it ``needs``, as it has no effect."""
    given = typed(context)
    for name, other in needs.items():
        if name in given and other not in given:
            shown, wanted = (names.get(n, f"--{n}") for n in (name, other))
            raise typer.BadParameter(f"{shown} does nothing without {wanted}")


class OneLineGroup(TyperGroup):
    """A command group with grouped help; ``main`` returns a command's result, or the exit code."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands under the headings of ``panels``, in their order; those without one come last."""
        commands = {name: command for name in self.list_commands(ctx) if (command := self.get_command(ctx, name))}
        width = max((len(name) for name in commands), default=0)
        for heading in (*ORDER, None):
            rows = [
                # equal widths in all groups align the texts
                (name.ljust(width), command.get_short_help_str(formatter.width - 6 - width))
                for name, command in commands.items()
                if (panel if isinstance(panel := getattr(command, "rich_help_panel", None), str) else None) == heading
            ]
            if rows:
                with formatter.section(heading or "Commands"):
                    formatter.write_dl(rows)

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run the command line; print one line and raise SystemExit(2) on a usage error."""
        try:
            return super().main(*args, **{**extra, "prog_name": "coach", "standalone_mode": False})
        except USAGE_ERRORS as error:
            text = error.format_message()
            if "\n" not in text:  # without a command the help is shown unchanged
                path = error.ctx.command_path if error.ctx is not None else "coach"
                told = text[:1].lower() + text[1:] if text[1:2].islower() else text
                text = f"{path}: {told.rstrip('.')}; see {path} --help"
            typer.echo(text, err=True)
            sys.exit(2)
        except typer.Abort:
            raise KeyboardInterrupt from None
