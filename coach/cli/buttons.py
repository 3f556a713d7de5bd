"""``coach buttons``: bind the buttons of a wheel, pad or box, or keys, by pressing them."""

from __future__ import annotations

import typer

from coach.cli.usage import BEFORE


def register(app: typer.Typer) -> None:
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
