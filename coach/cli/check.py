"""``coach check``: recorded sessions against what is expected of them; and the audit of all phrases."""

from __future__ import annotations

from pathlib import Path

import typer


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command()
    def check(
        folder: Path | None = typer.Argument(None, help="A session with an expect.yaml, or a folder of such."),
        renew: bool = typer.Option(False, "--renew", help="Write the golden logs anew: the decisions are as meant."),
        audit: str | None = typer.Option(None, "--audit", help="Rule file or name: print every phrase of it instead."),
        profile: str = typer.Option("hollow_ridge", "--profile", help="Profile folder or name for --audit."),
        as_json: bool = typer.Option(False, "--json", help="Print the result as JSON."),
    ) -> None:
        """Play sessions again and check what is said. Ends with 1 when something is not as expected."""
        from coach.cli import show_check

        if audit is not None:
            from coach.app.auditing import audit_phrases

            code = show_check.show_audit(audit_phrases(profile, audit), as_json)
        elif folder is None:
            raise typer.BadParameter("a folder, or --audit RULES", param_hint="FOLDER")
        else:
            from coach.app.check import check_folder

            told = None if as_json else show_check.show_one
            code = show_check.show_end(folder, check_folder(folder, renew, told), as_json)
        raise typer.Exit(code)
