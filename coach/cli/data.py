"""``coach import``, ``export``, ``share`` and ``add``: sessions and profiles from and to files."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import DATA


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _import(app)
    _share(app)
    _add(app)


def _import(app: typer.Typer) -> None:
    """Add both commands."""

    @app.command("import", rich_help_panel=DATA)
    def import_(
        context: typer.Context,
        file: Path = typer.Argument(..., help="Log file: .csv, .txt, .tsv, .parquet, .mf4 or .gpx."),
        output: Path | None = typer.Option(
            None, "-o", "--output", help="Session folder to make (not with --write-map)."
        ),
        columns: Path | None = typer.Option(None, "--map", help="Column map (YAML) instead of guessed columns."),
        write_map: Path | None = typer.Option(
            None, "--write-map", help="Only write the guessed column map here, for editing."
        ),
        yes: bool = typer.Option(False, "--yes", "-y", help="Accept the guessed columns without asking."),
        circuit: str = typer.Option("", "--circuit", help="Name of the circuit. Default: the file's name."),
        driver: str = typer.Option("", "--driver", help="Name of the driver."),
        separator: str = typer.Option(
            "", "--separator", help="CSV separator, one character or tab. Default: detected."
        ),
        decimal: str = typer.Option("", "--decimal", help="CSV decimal sign, '.' or ','."),
        as_json: bool = typer.Option(False, "--json", help="Print what was done as JSON."),
    ) -> None:
        """Make a session from a log file. You confirm which column is what."""
        from coach.app.importing import Wanted, guess, import_table, store_map, whole_map
        from coach.cli.importing import ask, show_guess, show_imported, show_not_taken
        from coach.cli.progress import stage_progress
        from coach.cli.usage import typed

        if write_map is not None and (idle := {"output", "circuit", "driver", "yes"} & typed(context)):
            raise typer.BadParameter(f"--{min(idle)} does nothing with --write-map, which makes no session")
        if output is None and write_map is None:
            raise typer.BadParameter("expected the session folder to make", param_hint="-o")
        with stage_progress() as progress:
            found = guess(file, columns, separator, decimal)
        if columns is None and not as_json:
            show_guess(found)
        elif not as_json:
            show_not_taken(found)
        if write_map is not None:
            store_map(found, write_map)
            gaps = "".join(f"{lack}; " for lack in found.lacking)
            what = "fill in what it marks with FILL IN" if gaps else "edit it"
            typer.echo(f"column map: {write_map}; {gaps}{what} and import with --map {write_map}")
            return
        whole_map(found)
        assert output is not None  # confirmed above
        if columns is None and not yes and not ask():
            raise typer.Exit(1)
        with stage_progress() as progress:
            done = import_table(found, Wanted(output, circuit, driver), progress)
        show_imported(done, as_json)

    @app.command(rich_help_panel=DATA)
    def export(
        session: Path = typer.Argument(..., help="Session folder."),
        output: Path = typer.Option(..., "-o", "--output", help="File to write, .csv or .parquet."),
    ) -> None:
        """Write a session as CSV or Parquet. One row per frame, units in the column names."""
        from coach.app.importing import export_session
        from coach.cli.progress import stage_progress

        with stage_progress() as progress:
            rows = export_session(session, output, progress)
        typer.echo(f"{rows} rows: {output}")


def _share(app: typer.Typer) -> None:
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


def _add(app: typer.Typer) -> None:
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
