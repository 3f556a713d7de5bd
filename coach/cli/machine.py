"""``coach doctor``, ``overlay`` and ``buttons``: set the machine up."""

from __future__ import annotations

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
    """Add the commands."""
    _doctor(app)
    _overlay(app)
    _buttons(app)


def _doctor(app: typer.Typer) -> None:
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
            from coach.cli.show_check import show_devices, show_latency, show_voices

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


def _overlay(app: typer.Typer) -> None:
    """Add the command."""

    @app.command(rich_help_panel=BEFORE)
    def overlay(
        size: str = typer.Option("", "--size", help="small, medium or large."),
        at: str = typer.Option("", "--at", help="X,Y of its top left corner in pixels, or top for top centre."),
        opacity: float | None = typer.Option(None, "--opacity", min=0.3, max=1.0, help="1 is solid, 0.3 faint."),
        scale: float | None = typer.Option(None, "--scale", help="Desktop scale, 0.5 to 4; 0 asks the system."),
        lock: bool | None = typer.Option(
            None,
            "--lock/--unlock",
            help="Locked: clicks reach the simulator. Unlocked: drag it, click it for its keys.",
        ),
        hide: bool | None = typer.Option(None, "--hide/--show", help="Hide it, or show it again."),
        reset: bool = typer.Option(
            False, "--reset", help="Reset to the default settings before applying the other options."
        ),
        as_json: bool = typer.Option(False, "--json", help="Print the settings as JSON."),
    ) -> None:
        """Set up the overlay. Without options: its settings and keys. A running overlay follows within a second.

        Keys, after a click on the overlay: arrows move it (Shift: 1 pixel), 1 2 3 set its size, - and + its opacity,
        C puts it back to top centre, L locks it, Esc hides and shows it, H lists the keys.
        """
        import msgspec

        from coach.cli.show import as_json as print_json
        from coach.cli.show import say
        from coach.outputs.overlay.settings import Settings, load, save, settings_path
        from coach.outputs.overlay.texts import keys_line

        before = Settings() if reset else load()
        changes: dict[str, object] = {
            name: value
            for name, value in (
                ("size", size or None), ("opacity", opacity), ("scale", scale), ("click_through", lock),
                ("hidden", hide),
            )
            if value is not None
        }  # fmt: skip
        if at:
            changes["x"], changes["y"] = _place(at)
        settings = msgspec.structs.replace(before, **changes).checked()
        if reset or changes:
            save(settings)
        if as_json:
            print_json(settings)
            return
        where = "top centre" if settings.x is None or settings.y is None else f"at {settings.x},{settings.y}"
        locked = "locked" if settings.click_through else "unlocked"
        shown = "hidden" if settings.hidden else "shown"
        say(f"overlay: {settings.size}, {where}, opacity {settings.opacity:g}, {locked}, {shown}")
        say(f"keys (click on it first): {keys_line()}")
        say(f"settings: {settings_path()}")


def _place(at: str) -> tuple[int | None, int | None]:
    if at == "top":
        return None, None
    x, _, y = at.partition(",")
    try:
        return int(x), int(y)
    except ValueError:
        raise typer.BadParameter(f"expected X,Y in pixels, or top; found {at!r}", param_hint="--at") from None


def _buttons(app: typer.Typer) -> None:
    """Add the group."""
    group = typer.Typer(help="Bind buttons of a wheel or pad, or keys.")
    app.add_typer(group, name="buttons", invoke_without_command=True, rich_help_panel=BEFORE)

    @group.callback(invoke_without_command=True)
    def show(context: typer.Context) -> None:
        """Without a command: list the bindings."""
        if context.invoked_subcommand is not None:
            return
        from coach.cli.show import say
        from coach.inputs.bindings import FUNCTIONS, bindings_path, load

        bound = load().bindings
        for function, what in FUNCTIONS.items():
            presses = "; ".join(str(b.press) for b in bound if b.function == function)
            say(f"{function:12s} {what}: {presses or 'nothing bound'}")
        say(f"saved in {bindings_path()}; bind with: coach buttons bind FUNCTION")

    @group.command()
    def bind(
        function: str = typer.Argument(..., help="Function of the button; coach buttons lists them."),
        seconds: float = typer.Option(30.0, "--seconds", min=1.0, max=600.0, help="Time to wait for the press, s."),
    ) -> None:
        """Bind the next button or key that you press."""
        from coach.app.live.buttons import bind as keep
        from coach.app.live.buttons import wait_for_press
        from coach.cli.show import say, warn
        from coach.inputs.bindings import FUNCTIONS, function_of

        wanted = function_of(function)
        say(f"press the button or key for: {FUNCTIONS[wanted]}")
        press = wait_for_press(warn, seconds, lambda names: say(f"connected: {names}"))
        path = keep(function, press)
        say(f"{function}: {press}; saved in {path}")

    @group.command()
    def clear(function: str = typer.Argument(..., help="Function to unbind, or all.")) -> None:
        """Unbind a function, or all."""
        from coach.app.live.buttons import clear as forget
        from coach.cli.show import say

        say(f"unbound; saved in {forget(function)}")
