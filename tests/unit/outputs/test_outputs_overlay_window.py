from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pygame
import pytest

from coach.core.values import Decision, LapDone, View
from coach.errors import OutputError
from coach.outputs.bus.publisher import BusOutput
from coach.outputs.bus.subscriber import Subscriber
from coach.outputs.overlay.layout import Caption, Scene, lay_out
from coach.outputs.overlay.legible import size_of
from coach.outputs.overlay.output import LEAST_S, Newest, OverlayOutput, run_window
from coach.outputs.overlay.paint import measure
from coach.outputs.overlay.process import listen
from coach.outputs.overlay.settings import Settings, SettingsWatch, load, save
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
    # a little right of the middle of the delta bar
    x, y = 100 + size.width // 2 + 12, 80 + 2 * size.margin + size.number_cap + size.bar // 2
    window.pump()
    window.show(Scene(LIVE))
    until(lambda: (0x56, 0xB4, 0xE9) == colour_at(screen, x, y))


@pytest.mark.display
def test_it_repaints_only_when_something_changed(window: OverlayWindow) -> None:
    """The same state a second time costs no repaint; another one does."""
    window.pump()
    assert window.show(Scene(LIVE))
    window.pump()
    window.show(Scene(LIVE))
    painted = window.redraws
    assert not window.show(Scene(LIVE, Caption("", 0.0)))
    assert window.show(Scene(LIVE, Caption("late apex", 0.0)))
    assert painted + 1 == window.redraws


@pytest.mark.display
def test_clicks_go_through_when_locked(display: str, screen: Any) -> None:
    """Locked, the window under the pointer is not the overlay; unlocked it is."""
    window = OverlayWindow(PLACED)
    try:
        window.show(Scene(LIVE))
        root = screen.screen().root
        root.warp_pointer(200, 110)
        until(lambda: root.query_pointer().child != 0)
        press(pygame.K_l)
        assert window.pump()
        assert window.settings.click_through
        until(lambda: root.query_pointer().child == 0)
        press(pygame.K_l)
        assert window.pump()
        until(lambda: root.query_pointer().child != 0)
    finally:
        window.close()


@pytest.mark.display
def test_keys_move_size_and_fade_it(window: OverlayWindow) -> None:
    """Arrows move by 10 or 1 pixels, digits choose the size, plus and minus the opacity, within its limits."""
    window.show(Scene(LIVE))
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
    assert window.show(Scene(LIVE)), "another size is painted anew"


@pytest.mark.display
def test_closing_the_window_ends_it_and_keeps_its_settings(display: str, tmp_path: Path) -> None:
    """The window manager's close ends the loop, and changed settings are written."""
    newest, file = Newest(), tmp_path / "overlay.json"
    newest.put_view(LIVE)
    painted: list[Scene] = []

    def on_painted(scene: Scene) -> None:
        painted.append(scene)
        press(pygame.K_2)
        pygame.event.post(pygame.event.Event(pygame.WINDOWCLOSE))

    assert run_window(newest, PLACED, lambda: False, SettingsWatch(file), on_painted)
    assert [LIVE] == [scene.view for scene in painted]
    assert "medium" == load(file).size


@pytest.mark.display
def test_escape_hides_and_shows_again(window: OverlayWindow, screen: Any) -> None:
    """Esc leaves a small mark that names the key; Esc again brings the overlay back, as large as before."""
    window.show(Scene(LIVE))
    whole = window._window.size
    press(pygame.K_ESCAPE)
    assert window.pump()
    window.show(Scene(LIVE))
    hidden = [window.settings.hidden]
    assert window._window.size[0] < 0.7 * whole[0]
    press(pygame.K_ESCAPE)
    assert window.pump()
    window.show(Scene(LIVE))
    hidden.append(window.settings.hidden)
    assert [True, False] == hidden
    assert whole == window._window.size


@pytest.mark.display
def test_the_window_is_as_high_as_its_content(window: OverlayWindow) -> None:
    """A cue makes it grow downward, silence makes it small again; the keys list too; its top stays."""
    heights = []
    for scene in (Scene(LIVE), Scene(LIVE, Caption("brake at the hundred", 0.0)), Scene(LIVE)):
        window.show(scene)
        drawing = lay_out(scene, size_of("small"), measure)
        assert (drawing.width, drawing.height) == tuple(window._window.size)
        heights.append(drawing.height)
        assert (100, 80) == tuple(window._window.position)
    assert heights[0] == heights[2] < heights[1]
    press(pygame.K_h)
    window.pump()
    window.show(Scene(LIVE))
    assert window._window.size[1] > heights[1]


@pytest.mark.display
def test_it_opens_top_centre_and_stays_on_the_desktop(display: str) -> None:
    """Without a position kept it is centred at the top; beyond the edge it is moved in, also when it grows."""
    window = OverlayWindow(Settings(size="small", scale=1.0))
    wide, _ = window._window.size
    try:
        window.show(Scene(LIVE))
        x, y = window._window.position
        assert abs(x + size_of("small").width / 2 - 640) <= 1
        assert 0 <= y < 60
        assert (None, None) == (window.settings.x, window.settings.y)
        window.take(Settings(x=5000, y=5000, size="small", scale=1.0))
        for caption in (None, Caption("turn three, brake at the hundred, second gear", 0.0)):
            window.show(Scene(LIVE, caption))
            (x, y), (w, h) = window._window.position, window._window.size
            assert x + w <= 1280
            assert y + h <= 720
    finally:
        window.close()
    assert wide > 0


@pytest.mark.display
def test_the_mouse_drags_it(window: OverlayWindow) -> None:
    """Pressed, moved and let go: it follows the pointer, and its place is kept."""
    window.show(Scene(LIVE))
    window.pump()
    post = pygame.event.post
    post(pygame.event.Event(pygame.MOUSEBUTTONDOWN, button=1, pos=(30, 10)))
    post(pygame.event.Event(pygame.MOUSEMOTION, pos=(70, 35), rel=(40, 25), buttons=(1, 0, 0)))
    post(pygame.event.Event(pygame.MOUSEBUTTONUP, button=1, pos=(30, 10)))
    post(pygame.event.Event(pygame.MOUSEMOTION, pos=(300, 35), rel=(40, 25), buttons=(0, 0, 0)))
    window.pump()
    assert (140, 105) == (window.settings.x, window.settings.y)


@pytest.mark.display
def test_it_takes_no_focus_under_a_window_manager(display: str, screen: Any) -> None:
    """Under openbox the window that had the focus keeps it when the overlay opens; the overlay is above it."""
    import shutil
    import subprocess

    program = shutil.which("openbox")
    if program is None:
        pytest.skip("openbox is not installed")
    from Xlib import X, Xutil
    from Xlib.ext import xtest
    from Xlib.protocol import event

    manager = subprocess.Popen([program, "--sm-disable"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    root = screen.screen().root
    active = screen.intern_atom("_NET_ACTIVE_WINDOW")

    def focused() -> int:
        found = root.get_full_property(active, X.AnyPropertyType)
        return int(found.value[0]) if found is not None else 0

    try:
        ready = screen.intern_atom("_NET_SUPPORTING_WM_CHECK")
        until(lambda: root.get_full_property(ready, X.AnyPropertyType) is not None)
        simulator = root.create_window(0, 0, 800, 600, 0, screen.screen().root_depth)
        simulator.set_wm_name("simulator")
        simulator.set_wm_hints(flags=Xutil.InputHint, input=1)
        simulator.map()
        screen.sync()

        def given_focus() -> bool:
            # as a pager asks for it: Extended Window Manager Hints, source indication 2
            message = event.ClientMessage(window=simulator, client_type=active, data=(32, [2, X.CurrentTime, 0, 0, 0]))
            root.send_event(message, event_mask=X.SubstructureRedirectMask | X.SubstructureNotifyMask)
            screen.sync()
            return bool(focused() == simulator.id)

        until(given_focus)
        window = OverlayWindow(PLACED)
        try:
            window.show(Scene(LIVE))
            listed = screen.intern_atom("_NET_CLIENT_LIST")
            until(lambda: len(root.get_full_property(listed, X.AnyPropertyType).value) == 2)
            window.pump()
            assert simulator.id == focused()
            # a click on it gives it the keys
            root.warp_pointer(150, 95)
            for kind in (X.ButtonPress, X.ButtonRelease):
                xtest.fake_input(screen, kind, 1)
            screen.sync()
            until(lambda: focused() != simulator.id)
        finally:
            window.close()
        simulator.destroy()
    finally:
        manager.terminate()
        manager.wait()


@pytest.mark.display
def test_settings_written_outside_reach_the_running_window(display: str, tmp_path: Path) -> None:
    """A locked and hidden overlay is unlocked and shown by a change of its file, as ``coach overlay`` makes it."""
    file = tmp_path / "overlay.json"
    locked = Settings(x=100, y=80, size="small", scale=1.0, click_through=True, hidden=True)
    save(locked, file)
    newest = Newest()
    newest.put_view(LIVE)
    scenes: list[int] = []
    until_s = time.monotonic() + 8.0
    watch = SettingsWatch(file)
    save(Settings(x=100, y=80, size="large", scale=1.0), file)

    def stop() -> bool:
        return len(scenes) >= 1 or time.monotonic() > until_s

    assert not run_window(newest, locked, stop, watch, lambda scene: scenes.append(1))
    assert Settings(x=100, y=80, size="large", scale=1.0) == load(file)
    assert [1] == scenes


@pytest.mark.display
def test_the_output_never_holds_the_engine(display: str, tmp_path: Path) -> None:
    """1000 views and 100 cues are taken in under 50 ms while the window is drawn on its own thread."""
    closed = threading.Event()
    notes: list[str] = []
    output = OverlayOutput(PLACED, notes.append, closed.set, watch=SettingsWatch(tmp_path / "overlay.json"))
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
def test_a_picture_is_painted_when_something_came(display: str, tmp_path: Path) -> None:
    """Between two pictures it waits once, wherever the news comes from; a burst is shown 40 times a second at most."""
    newest, waits, painted = Newest(), list[float](), list[View | None]()

    def wait() -> None:
        waits.append(time.monotonic())
        newest.put_view(View(t_s=0.0, state="live", delta_s=0.01 * len(waits)))

    started = time.monotonic()
    watch = SettingsWatch(tmp_path / "overlay.json")
    run_window(newest, PLACED, lambda: len(waits) == 10, watch, lambda scene: painted.append(scene.view), wait)
    assert [None, *(pytest.approx(0.01 * i) for i in range(1, 10))] == [
        None if v is None else v.delta_s for v in painted
    ]
    assert 10 * LEAST_S <= time.monotonic() - started


def test_what_the_bus_says_is_carried_on() -> None:
    """The newest view, a spoken cue but not one held back, the lap just driven, and the end of the run."""
    bus = BusOutput()
    subscriber, newest, ended = Subscriber(bus.address), Newest(), threading.Event()
    cue = Decision(1.0, 1, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)
    lap = LapDone(3, 1.0, 92.41, -0.24, True)
    held = Decision(1.0, 1, 10.0, "Kettle", "r", "held", "budget", "third gear", 2.0, 3.0)
    try:

        def heard() -> bool:
            bus.view(LIVE)
            bus.decision(cue)
            bus.decision(held)
            bus.lap(lap)
            listen(subscriber, newest, ended)
            scene = newest.read()
            return (
                scene.view is not None
                and scene.view.delta_s == LIVE.delta_s
                and scene.caption is not None
                and scene.caption.text == "late apex"
                and scene.lap == lap
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
    assert notes[0].endswith("; the run continues without the overlay")


def test_board_tells_old_from_new() -> None:
    """A view is fresh for a second; a caption has its age; nothing yet is not old."""
    now = [100.0]
    newest = Newest(lambda: now[0])
    assert Scene() == newest.read()
    newest.put_view(LIVE)
    newest.put_cue("late apex")
    now[0] = 101.0
    assert Scene(LIVE, Caption("late apex", 1.0)) == newest.read()
    now[0] = 101.01
    assert not newest.read().fresh
    newest.put_lap(LapDone(3, 1.0, 92.41, -0.24, True))
    now[0] = 103.01
    assert 2.0 == pytest.approx(newest.read().lap_age_s)


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
        (Settings(size="x"), "overlay size: expected small, medium, large, found 'x'"),
        (Settings(opacity=0.1), r"overlay opacity: expected 0.3 to 1, found 0.1"),
        (Settings(scale=7), "overlay scale: expected .* found 7"),
    ],
)
def test_settings_that_are_not_allowed(settings: Settings, said: str) -> None:
    """Each wrong setting is named with what is allowed."""
    with pytest.raises(OutputError, match=said):
        settings.checked()
