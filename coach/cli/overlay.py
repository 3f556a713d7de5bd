"""``coach overlay``: sets the overlay from the command line, even while it runs."""

from __future__ import annotations

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
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
