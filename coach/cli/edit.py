"""``coach edit``: edits a circuit's profile on a local page, beside the cues of a session."""

from __future__ import annotations

from pathlib import Path

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def edit(
        profile: str = typer.Argument("", help="Profile folder or name. Default: your newest profile."),
        session: Path | None = typer.Option(None, "--session", help="Session to replay on each change."),
        rules: str | None = typer.Option(None, "--rules", help="Rule file or name, instead of the session's."),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to serve on; from another machine it "
                                 "takes the one-time token that is printed."),
        port: int = typer.Option(8467, "--port", min=0, max=65535, help="Port to serve on; 0 picks a free one."),
        browser: bool = typer.Option(True, "--browser/--no-browser", help="Open the page in the browser."),
    ) -> None:  # fmt: skip
        """Edit a profile in the browser. Map, traces and form; shows at once which cues change."""
        from coach.app.edit.edit_server import EditorDesk, serve
        from coach.app.paths import newest_profile
        from coach.cli.show import say, warn

        serve(EditorDesk(profile or newest_profile(warn), session, rules), host, port, browser, say)
