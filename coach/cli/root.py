"""The command line: commands in files by what they are for, imported on use."""

from __future__ import annotations

import sys
from importlib import import_module
from typing import Any, Final

import typer
from rich.console import Console

from coach.cli.usage import OneLineGroup
from coach.identity import APP, VERSION

COMMANDS: Final = {
    "survey": "coach.cli.profiles",
    "edit": "coach.cli.profiles",
    "guide": "coach.cli.profiles",
    "doctor": "coach.cli.machine",
    "overlay": "coach.cli.machine",
    "buttons": "coach.cli.machine",
    "map": "coach.cli.checking",
    "drive": "coach.cli.driving",
    "watch": "coach.cli.driving",
    "keys": "coach.cli.driving",
    "debrief": "coach.cli.sessions",
    "history": "coach.cli.sessions",
    "replay": "coach.cli.sessions",
    "import": "coach.cli.data",
    "export": "coach.cli.data",
    "share": "coach.cli.data",
    "add": "coach.cli.data",
    "check": "coach.cli.checking",
    "send": "coach.cli.checking",
}
"""Command -> module that holds ``register(app)``."""

MISTAKE: Final = 2


def make_app(wanted: str | None = None) -> typer.Typer:
    """Return the application with all commands, or with only the wanted one, to save the others' imports."""
    app = typer.Typer(
        name="coach",
        cls=OneLineGroup,
        help="A live corner coach for sim racers and track-day drivers: spoken cues and an overlay. Start with "
        "coach drive.",
        no_args_is_help=True,
        add_completion=False,
        rich_markup_mode=None,
        pretty_exceptions_enable=False,
    )

    @app.callback(invoke_without_command=True)
    def root(version: bool = typer.Option(False, "--version", help="Print the version and exit.")) -> None:
        if version:
            typer.echo(f"{APP} {VERSION}")
            raise typer.Exit()

    wanted_modules = COMMANDS.values() if wanted is None else (COMMANDS[wanted],)
    for module in dict.fromkeys(wanted_modules):
        import_module(module).register(app)
    return app


def run(arguments: list[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 1 a check failed, 2 something to fix, 130 interrupted."""
    given = sys.argv[1:] if arguments is None else arguments
    wanted = given[0] if given and given[0] in COMMANDS else None
    sys.exit(guarded(lambda: make_app(wanted)(args=given)))


def guarded(call: Any) -> int:
    """Run ``call``; an error the user can fix becomes one line and code 2, never a traceback."""
    from coach.errors import CoachError
    from feeds.errors import FeedError

    errors = Console(stderr=True, highlight=False, markup=False, emoji=False, soft_wrap=True)
    try:
        result = call()
    except SystemExit as end:
        # 2 for a wrong command line
        return end.code if isinstance(end.code, int) else 0
    except (CoachError, FeedError) as error:
        errors.print(f"coach: {error}", style="bold red")
        return MISTAKE
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # the reader of our output closed it (head, less): not our error
        sys.stderr.close()
        return 0
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        errors.print(f"coach: {place}{error.strerror or error}", style="bold red")
        return MISTAKE
    return result if isinstance(result, int) else 0
