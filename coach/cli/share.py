"""``coach share``: packs a profile into one file for others."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import DATA


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=DATA)
    def share(
        profile: str = typer.Argument(..., help="Profile folder or name."),
        output: Path = typer.Option(..., "-o", "--output", help="The zip file to write."),
    ) -> None:
        """Pack a profile into one file to share. It holds data only, no code."""
        from coach.cli.show import say
        from coach.profile.share import pack
        from coach.profile.store import profile_path

        done = pack(profile_path(profile), output)
        say(f"{done.plan.circuit}, {len(done.plan.corners)} corners: {', '.join(done.files)}")
        say(f"written: {done.path}")
