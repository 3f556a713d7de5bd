"""``coach check``: compares recorded sessions with expectations, and audits all phrases."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import CHECKING, UNITS_HELP, units_named


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=CHECKING)
    def check(
        folder: Path | None = typer.Argument(None, help="A session with an expect.yaml, or a folder of such sessions."),
        renew: bool = typer.Option(False, "--renew", help="Accept the new decisions: rewrite the expected logs."),
        audit: str | None = typer.Option(None, "--audit", help="Rule file or name: print every phrase it can say."),
        profile: str = typer.Option("hollow_ridge", "--profile", help="Profile folder or name for --audit."),
        language: str = typer.Option(
            "en", "--language", envvar="COACH_LANGUAGE", help="Language for --audit: en, de or a language file."
        ),
        units: str = typer.Option("metric", "--units", envvar="COACH_UNITS", help=UNITS_HELP),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Replay sessions and compare the cues with those expected. Exit code 1 when they differ."""
        from coach.cli import show_check

        if audit is not None:
            from coach.app.replay.auditing import audit_phrases

            code = show_check.show_audit(
                audit_phrases(profile, audit, language=language, units=units_named(units).name), as_json
            )
        elif folder is None:
            raise typer.BadParameter("expected a folder, or --audit RULES", param_hint="FOLDER")
        else:
            from coach.app.replay.check import check_folder

            told = None if as_json else show_check.show_one
            code = show_check.show_end(folder, check_folder(folder, renew, told), as_json)
        raise typer.Exit(code)
