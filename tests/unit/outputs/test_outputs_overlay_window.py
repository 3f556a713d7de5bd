from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pygame
import pytest

from coach.core.values import Decision, View
from coach.errors import OutputError
from coach.outputs.bus.publisher import BusOutput
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.overlay.layout import Caption
from coach.outputs.overlay.legible import size_of
from coach.outputs.overlay.output import LEAST_S, Newest, OverlayOutput, run_window
from coach.outputs.overlay.process import listen
from coach.outputs.overlay.settings import Settings, load, save
from coach.outputs.overlay.window import OverlayWindow

pytest_plugins = ["outputs_display"]

LIVE = View(t_s=1.0, state="live", lap=2, delta_s=-0.24, next_corner="Kettle", to_brake_m=140.0)
PLACED = Settings(x=100, y=80, size="small", scale=1.0)


def until(true: Callable[[], bool], limit_s: float = 5.0) -> None:
    deadline = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < deadline, "did not happen in time"
        time.sleep(0.005)


@pytest.fixture
def window(display: str) -> Iterator[OverlayWindow]:
    made = OverlayWindow(PLACED)
    yield made
    made.close()


def press(key: int, mod: int = 0) -> None:
    pygame.event.post(pygame.event.Event(pygame.KEYDOWN, key=key, mod=mod))


@pytest.fixture
def screen(display: str) -> Iterator[Any]:
    """A client of the X server that looks at it from outside."""
    from Xlib import display as xdisplay

    link = xdisplay.Display(display)
    yield link
    link.close()


def colour_at(screen: Any, x: int, y: int) -> tuple[int, ...]:
    from Xlib import X

    image = screen.screen().root.get_image(x, y, 1, 1, X.ZPixmap, 0xFFFFFFFF)
    return tuple(image.data[2::-1])


@pytest.mark.display
def test_the_picture_is_on_the_screen(window: OverlayWindow, screen: Any) -> None:
    """Asked from outside, the screen shows the gained bar in sky blue where the window was put."""
    size = size_of("small")
    x, y = 100 + size.margin + size.bar // 2, 80 + size.height // 2 - 8
    window.pump()
    window.show(LIVE, None)
    until(lambda: (0x56, 0xB4, 0xE9) == colour_at(screen, x, y))


@pytest.mark.display
def test_it_repaints_only_when_something_changed(window: OverlayWindow) -> None:
    """The same state a second time costs no repaint; another one does."""
    window.pump()
    assert window.show(LIVE, None)
    window.pump()
    window.show(LIVE, None)
    painted = window.redraws
    assert not window.show(LIVE, Caption("", 0.0))
    assert window.show(LIVE, Caption("late apex", 0.0))
    assert painted + 1 == window.redraws


@pytest.mark.display
def test_clicks_go_through_when_asked(display: str, screen: Any) -> None:
    """With click-through on, the window under the pointer is not the overlay, and with it off it is."""
    window = OverlayWindow(PLACED)
    try:
        window.show(LIVE, None)
        root = screen.screen().root
        root.warp_pointer(200, 150)
        until(lambda: root.query_pointer().child != 0)
        press(pygame.K_t)
        assert window.pump()
        assert window.settings.click_through
        until(lambda: root.query_pointer().child == 0)
        press(pygame.K_t)
        assert window.pump()
        until(lambda: root.query_pointer().child != 0)
    finally:
        window.close()


@pytest.mark.display
def test_keys_move_size_and_fade_it(window: OverlayWindow) -> None:
    """Arrows move by 10 or 1 pixels, digits choose the size, plus and minus the opacity, within its limits."""
    window.show(LIVE, None)
    window.pump()
    x, y = window.settings.x or 0, window.settings.y or 0
    press(pygame.K_RIGHT)
    press(pygame.K_DOWN, pygame.KMOD_LSHIFT)
    press(pygame.K_3)
    for _ in range(12):
        press(pygame.K_MINUS)
    assert window.pump()
    assert (x + 10, y + 1) == (window.settings.x, window.settings.y)
    assert "large" == window.settings.size
    assert 0.3 == window.settings.opacity
    assert window.show(LIVE, None), "another size is painted anew"


@pytest.mark.display
def test_closing_the_window_ends_it_and_keeps_its_settings(display: str) -> None:
    """Escape ends the loop, and what was changed is handed on to be kept."""
    kept: list[Settings] = []
    newest = Newest()
    newest.put_view(LIVE)
    painted: list[View | None] = []

    def on_painted(view: View | None, caption: Caption | None) -> None:
        painted.append(view)
        press(pygame.K_2)
        press(pygame.K_ESCAPE)

    assert run_window(newest, PLACED, lambda: False, kept.append, on_painted)
    assert [LIVE] == painted
    assert ["medium"] == [s.size for s in kept]


@pytest.mark.display
def test_the_output_never_holds_the_engine(display: str) -> None:
    """1000 views and 100 cues are taken in under 50 ms while the window is drawn on its own thread."""
    closed = threading.Event()
    notes: list[str] = []
    output = OverlayOutput(PLACED, notes.append, closed.set, keep=lambda s: None)
    try:
        cue = Decision(1.0, 1, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
        started = time.perf_counter()
        for i in range(1000):
            output.view(LIVE)
            if i % 10 == 0:
                output.decision(cue)
        spent = time.perf_counter() - started
    finally:
        output.close()
    assert spent < 0.05
    assert [] == notes
    assert not closed.is_set()


@pytest.mark.display
def test_a_picture_is_painted_when_something_came(display: str) -> None:
    """Between two pictures it waits once, wherever the news comes from; a burst is shown 40 times a second at most."""
    newest, waits, painted = Newest(), list[float](), list[View | None]()

    def wait() -> None:
        waits.append(time.monotonic())
        newest.put_view(View(t_s=0.0, state="live", delta_s=0.01 * len(waits)))

    started = time.monotonic()
    run_window(newest, PLACED, lambda: len(waits) == 10, lambda s: None, lambda v, c: painted.append(v), wait)
    assert [None, *(pytest.approx(0.01 * i) for i in range(1, 10))] == [
        None if v is None else v.delta_s for v in painted
    ]
    assert 10 * LEAST_S <= time.monotonic() - started


def test_what_the_bus_says_is_carried_on() -> None:
    """The newest view, a spoken cue but not one held back, and the end of the run."""
    bus = BusOutput()
    subscriber, newest, ended = Subscriber(bus.address), Newest(), threading.Event()
    cue = Decision(1.0, 1, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
    held = Decision(1.0, 1, 10.0, "Kettle", "r", "held", "budget", "third gear", 2.0, 3.0)
    try:

        def heard() -> bool:
            bus.view(LIVE)
            bus.decision(cue)
            bus.decision(held)
            listen(subscriber, newest, ended)
            view, caption, _ = newest.read()
            return (
                view is not None
                and view.delta_s == LIVE.delta_s
                and caption is not None
                and caption.text == "late apex"
            )

        until(heard)
        assert not ended.is_set()
        bus.close()
        listen(subscriber, newest, ended, 2.0)
        assert ended.is_set()
    finally:
        subscriber.close()
        bus.close()


def test_no_display_is_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a desktop the overlay says so once and the run goes on."""
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(OutputError, match="no display for the overlay: "):
        OverlayWindow(PLACED)
    notes: list[str] = []
    output = OverlayOutput(PLACED, notes.append)
    until(lambda: len(notes) == 1)
    output.view(LIVE)
    output.close()
    assert notes[0].endswith("; the run goes on without the overlay")


def test_board_tells_old_from_new() -> None:
    """A view is fresh for a second; a caption has its age; nothing yet is not old."""
    now = [100.0]
    newest = Newest(lambda: now[0])
    assert (None, None, True) == newest.read()
    newest.put_view(LIVE)
    newest.put_cue("late apex")
    now[0] = 101.0
    assert (LIVE, Caption("late apex", 1.0), True) == newest.read()
    now[0] = 101.01
    assert not newest.read()[2]


def test_settings_survive_and_nonsense_does_not_stop_a_run(tmp_path: Path) -> None:
    """What was kept comes back; a damaged file, or values that are not allowed, give the defaults."""
    path = tmp_path / "conf" / "overlay.json"
    save(PLACED, path)
    assert PLACED == load(path)
    path.write_text('{"size": "huge"}')
    assert Settings() == load(path)
    path.write_text("{")
    assert Settings() == load(path)
    save(PLACED, tmp_path / "conf" / "overlay.json" / "impossible")


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        (Settings(size="x"), "overlay size 'x'"),
        (Settings(opacity=0.1), r"overlay opacity 0.1: allowed is 0.3 to 1"),
        (Settings(scale=7), "overlay scale 7"),
    ],
)
def test_settings_that_are_not_allowed(settings: Settings, said: str) -> None:
    """Each wrong setting is named with what is allowed."""
    with pytest.raises(OutputError, match=said):
        settings.checked()
