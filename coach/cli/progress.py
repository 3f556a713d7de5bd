"""Progress bars, shown only for long waits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from coach.cli.show import warn


def _where() -> dict[str, Any]:
    """Return a console on standard error, only at a terminal: a bar in a file would be an empty line."""
    console = Console(stderr=True, markup=False, emoji=False)
    return {"console": console, "disable": not console.is_terminal}


@contextmanager
def phrase_progress() -> Iterator[Callable[[int, int], None]]:
    """Provide a callback (done, of) that shows a bar while phrases render.

    Without a terminal it prints one line if there is anything to render.
    """
    where = _where()
    bar = Progress(TextColumn("rendering phrases"), BarColumn(), MofNCompleteColumn(), transient=True, **where)
    task = None

    def step(done: int, of: int) -> None:
        nonlocal task
        if task is None:
            if where["disable"] and done < of:
                warn(f"{of - done} phrases to prepare for the voice, only this once; the run starts in a few seconds")
            bar.start()
            task = bar.add_task("phrases", total=of)
        bar.update(task, completed=done)
        if done >= of:
            bar.stop()

    try:
        yield step
    finally:
        bar.stop()


@contextmanager
def frame_progress() -> Iterator[Callable[[int, int], None]]:
    """Provide a callback (done, of) that shows a bar while frames are processed."""
    with Progress(
        TextColumn("going through the session"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        transient=True,
        **_where(),
    ) as bar:
        task = bar.add_task("frames", total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


@contextmanager
def stage_progress() -> Iterator[Callable[[float, str], None]]:
    """Provide a callback (share done, step) that shows a bar for slow steps."""
    bar = Progress(TextColumn("{task.description}"), BarColumn(), transient=True, **_where())
    task = bar.add_task("", total=1.0)

    def step(done: float, what: str) -> None:
        bar.start()
        bar.update(task, completed=done, description=what)

    try:
        yield step
    finally:
        bar.stop()
