"""``coach doctor``: checks this machine, with a fix for each fault."""

from __future__ import annotations

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def doctor(
        port: int = typer.Option(20770, "--port", min=1, max=65535, help="UDP port to test."),
        host: str = typer.Option("127.0.0.1", "--host", help="Address to test the port on."),
        profile: str = typer.Option("hollow_ridge", "--profile", help="Profile folder or name to test."),
        voices: bool = typer.Option(False, "--voices", help="Only list the voices."),
        devices: bool = typer.Option(False, "--devices", help="Only list the sound outputs."),
        latency: bool = typer.Option(
            False, "--latency", help="Only measure the delay from cue to sound and to pixel, ms."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print the results as JSON."),
    ) -> None:
        """Check this machine: voice, sound, display, data. Says how to fix each fault."""
        if voices or devices or latency:
            from coach.cli.machine import show_devices, show_latency, show_voices

            for wanted, show in ((voices, show_voices), (devices, show_devices), (latency, show_latency)):
                if wanted:
                    show(as_json)
            return
        from coach.app.doctor import check_all
        from coach.cli.show import as_json as print_json
        from coach.cli.show import say

        checks = check_all(host, port, profile)
        if as_json:
            print_json([{"check": name, "ok": c.ok, "what": c.what, "mend": c.fix} for name, c in checks])
        else:
            for name, check in checks:
                say(f"{'ok      ' if check.ok else 'FIX     '}{name}: {check.what}")
                if not check.ok:
                    say(f"        {check.fix}")
        # a run works without voice, device and display; any other failure is an error
        if not all(check.ok for name, check in checks if name in ("feed port", "profile", "sessions")):
            raise typer.Exit(2)
