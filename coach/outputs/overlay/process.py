"""The overlay process: ``python -m coach.outputs.overlay.process``, started by the supervisor."""

from __future__ import annotations

import threading
from pathlib import Path

import msgspec

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.bus.table import Bye
from coach.outputs.child import NOT_HERE, Link, run_child
from coach.outputs.overlay.layout import Scene
from coach.outputs.overlay.output import Newest, run_window
from coach.outputs.overlay.settings import Settings, SettingsWatch, load

WAIT_S = 0.05
CLOSED_BY_USER = 0
AT_START = "click on it and press H for its keys; coach overlay changes it from another terminal"


class OverlaySetup(msgspec.Struct, frozen=True):
    """The start message of the overlay process.

    ``settings`` None: those stored in ``settings_file`` (empty: the default file). ``keys``: the helper's folder of
    keys if the bus is on another machine.
    """

    address: str
    settings: Settings | None = None
    settings_file: str = ""
    keys: str = ""


def listen(bus: Subscriber, newest: Newest, ended: threading.Event, wait_s: float = WAIT_S) -> None:
    """Pass bus messages to ``newest``, waiting a moment; set ``ended`` at the end of the run.

    Runs between two pictures on the window's thread, so that a view wakes one thread, once.
    """
    for message in bus.read(wait_s):
        if isinstance(message, View):
            newest.put_view(message)
        elif isinstance(message, Decision) and message.outcome == "spoken":
            newest.put_cue(message.text)
        elif isinstance(message, LapDone):
            newest.put_lap(message)
        elif isinstance(message, Bye):
            ended.set()


def overlay_process_main() -> None:
    """Show bus messages until the parent or the run ends, or the user closes the window."""
    run_child(_show)


def _show(link: Link) -> int:
    setup = link.setup(OverlaySetup)
    file = Path(setup.settings_file) if setup.settings_file else None
    newest = Newest()

    told = False

    def painted(scene: Scene) -> None:
        nonlocal told
        if not told:
            told = True
            link.note(AT_START)
        caption = scene.caption
        if caption is not None and caption.age_s < 1.0:
            link.report("painted", caption.text)

    def stop() -> bool:
        link.alive()
        return link.ended.is_set()

    try:
        bus = Subscriber(setup.address, Path(setup.keys) if setup.keys else None)
    except OutputError as error:
        link.note(str(error))
        return NOT_HERE
    link.report("ready")
    try:
        run_window(
            newest,
            setup.settings or load(file),
            stop,
            SettingsWatch(file),
            painted,
            lambda: listen(bus, newest, link.ended),
        )
    except OutputError as error:
        link.note(f"{error}; the run continues without the overlay")
        return NOT_HERE
    finally:
        bus.close()
    return CLOSED_BY_USER


if __name__ == "__main__":
    overlay_process_main()
