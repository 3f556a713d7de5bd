"""``coach add``: adds a shared profile, validated before any of it is written."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import DATA


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=DATA)
    def add(
        file: Path = typer.Argument(..., help="A zip file made by coach share."),
        into: Path | None = typer.Option(
            None, "--into", help="New folder for it. Default: one among your profiles, named like the file."
        ),
    ) -> None:
        """Add a profile that someone shared. Every file is checked first."""
        from coach.app.paths import slug
        from coach.cli.show import say
        from coach.profile.share import unpack
        from coach.profile.store import added_folder

        folder = into if into is not None else added_folder() / slug(file.stem)
        done = unpack(file, folder)
        say(f"{done.plan.circuit}, {len(done.plan.corners)} corners: {', '.join(done.files)}")
        say(f"added: {done.path}")
        say(f"next: coach drive --profile {done.path if into is not None else done.path.name}")
