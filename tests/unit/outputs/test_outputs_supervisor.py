from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec
import pytest

from coach.core.values import Decision, View
from coach.outputs.child import Report
from coach.outputs.live import Live, OutputChoice
from coach.outputs.overlay.process import AT_START
from coach.outputs.overlay.settings import Settings
from coach.outputs.supervisor import Spec, Supervisor
from coach.outputs.voice.options import VoiceOptions

CUE = Decision(1.0, 1, 10.0, "Kettle", "r", "spoken", "", "late apex", 2.0, 3.0)

CHILD = """
import time, os, sys
import msgspec
from coach.outputs.child import run_child

class Setup(msgspec.Struct):
    how: str
    file: str = ""

def body(link):
    setup = link.setup(Setup)
    with open(setup.file, "a") as f:
        f.write("life\\n")
    lives = len(open(setup.file).readlines())
    print("what a library prints")
    if setup.how == "stubborn":
        link.report("ready")
        while True:
            time.sleep(1)
    if setup.how == "raises" and lives < 3:
        raise ValueError("no good")
    link.report("ready", str(os.getpid()))
    if setup.how == "closed":
        return 0
    if setup.how == "not here":
        link.note("there is nothing here")
        return 2
    if setup.how == "silent" and lives < 2:
        time.sleep(60)
    while not link.ended.wait(0.05):
        link.alive()
    with open(setup.file, "a") as f:
        f.write("clean end\\n")
    return 0

run_child(body)
"""


class Setup(msgspec.Struct):
    how: str
    file: str = ""


class Nursery:
    """A supervisor over one scripted child, and what it said."""

    def __init__(self, how: str, folder: Path, silence_s: float = 5.0) -> None:
        self.file = folder / "lives"
        self.notes: list[str] = []
        self.closed: list[str] = []
        self.reports: list[Report] = []
        self.supervisor = Supervisor(
            [Spec("child", "outputs_test_child", Setup(how, str(self.file)))],
            self.notes.append,
            self.closed.append,
            lambda name, report: self.reports.append(report),
            silence_s,
        )

    def until(self, true: Callable[[], bool], limit_s: float = 20.0) -> None:
        deadline = time.monotonic() + limit_s
        while not true():
            assert time.monotonic() < deadline, (self.notes, self.reports)
            time.sleep(0.01)

    @property
    def lives(self) -> int:
        return self.file.read_text().count("life") if self.file.exists() else 0


@pytest.fixture
def nursery(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Nursery]]:
    (tmp_path / "outputs_test_child.py").write_text(CHILD)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), str(Path(__file__).parents[3])]))
    made: list[Nursery] = []

    def make(how: str, silence_s: float = 5.0) -> Nursery:
        made.append(Nursery(how, tmp_path, silence_s))
        return made[-1]

    yield make
    for one in made:
        one.supervisor.close()


def test_a_child_lives_until_it_is_let_go_and_ends_cleanly(nursery: Callable[..., Nursery]) -> None:
    """Started once, reported, and at the end it leaves by itself; nothing is said about it."""
    one = nursery("good")
    one.until(lambda: len(one.reports) == 1)
    assert one.supervisor.pid("child") == int(one.reports[0].text)
    one.supervisor.close()
    one.supervisor.close()
    assert ["life", "clean end"] == one.file.read_text().split("\n")[:2]
    assert ([], []) == (one.notes, one.closed)
    assert one.supervisor.pid("child") is None


def test_a_killed_child_comes_back(nursery: Callable[..., Nursery]) -> None:
    """kill -9: it is said, and a new one is there within moments."""
    one = nursery("good")
    one.until(lambda: len(one.reports) == 1)
    os.kill(one.supervisor.pid("child") or 0, signal.SIGKILL)
    one.until(lambda: len(one.reports) == 2)
    assert one.reports[0].text != one.reports[1].text
    assert ["the child ended (signal 9): started again in 0.05 s"] == one.notes
    assert {"child": 1} == one.supervisor.restarts


def test_waits_grow_and_the_same_note_is_said_once(nursery: Callable[..., Nursery]) -> None:
    """A child that fails twice is started after 0.05 and 0.5 s; its own words come once."""
    one = nursery("raises")
    one.until(lambda: any(r.kind == "ready" for r in one.reports))
    assert 3 == one.lives
    assert [
        "child: ValueError: no good",
        "the child ended (code 1): started again in 0.05 s",
        "the child ended (code 1): started again in 0.5 s",
    ] == one.notes


def test_a_child_without_a_sign_of_life_is_replaced(nursery: Callable[..., Nursery]) -> None:
    """One that hangs is ended and started again."""
    one = nursery("silent", silence_s=0.4)
    one.until(lambda: len(one.reports) == 2)
    assert "the child gives no sign of life: it is ended and started again" == one.notes[0]


def test_a_window_closed_by_the_user_stays_closed(nursery: Callable[..., Nursery]) -> None:
    """Exit code 0 is the user's wish: told, not started again."""
    one = nursery("closed")
    one.until(lambda: one.closed == ["child"])
    assert (1, []) == (one.lives, one.notes)
    assert one.supervisor.pid("child") is None


def test_what_can_not_work_here_is_said_once_and_left(nursery: Callable[..., Nursery]) -> None:
    """Exit code 2 is final: no display, for one."""
    one = nursery("not here")
    one.until(lambda: one.notes == ["child: there is nothing here"])
    one.until(lambda: one.supervisor.pid("child") is None)
    assert (1, []) == (one.lives, one.closed)


def test_a_child_that_will_not_go_is_ended_by_force(nursery: Callable[..., Nursery]) -> None:
    """At the end a child that ignores everything costs about two seconds, no more."""
    one = nursery("stubborn")
    one.until(lambda: len(one.reports) == 1)
    pid = one.supervisor.pid("child") or 0
    started = time.monotonic()
    one.supervisor.close()
    assert time.monotonic() - started < 4.0
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


@pytest.mark.parametrize("how", ["good", "stubborn"])
def test_children_go_with_their_parent(tmp_path: Path, how: str) -> None:
    """kill -9 of the engine: its children end too, also one that hangs (there, Linux only)."""
    if how == "stubborn" and not sys.platform.startswith("linux"):
        pytest.skip("the kernel ends orphans only on Linux")
    (tmp_path / "outputs_test_child.py").write_text(CHILD)
    parent = f"""
import msgspec, time
from coach.outputs.supervisor import Spec, Supervisor
class Setup(msgspec.Struct):
    how: str
    file: str
s = Supervisor([Spec("child", "outputs_test_child", Setup({how!r}, {str(tmp_path / "lives")!r}))], print,
               on_report=lambda n, r: print(s.pid("child"), flush=True))
time.sleep(60)
"""
    path = os.pathsep.join([str(tmp_path), str(Path(__file__).parents[3])])
    with subprocess.Popen(
        [sys.executable, "-c", parent], stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": path}
    ) as process:
        assert process.stdout is not None
        pid = int(process.stdout.readline())
        process.kill()
    deadline = time.monotonic() + 10
    while True:
        try:
            os.kill(pid, 0)
            state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
        except (ProcessLookupError, FileNotFoundError):
            break
        if state == "Z":  # dead, and waiting for whoever adopted it
            break
        assert time.monotonic() < deadline, "the child outlived its parent"
        time.sleep(0.02)


pytest_plugins = ["outputs_display"]


@pytest.fixture
def no_sound_card(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SDL_AUDIODRIVER", "dummy")


@pytest.mark.display
@pytest.mark.usefixtures("display", "no_sound_card")
def test_a_run_over_processes_speaks_and_shows(tmp_path: Path) -> None:
    """A decision on the engine's thread is started by the voice process and painted by the overlay process."""
    notes: list[str] = []
    reports: list[tuple[str, str]] = []
    live = Live(
        OutputChoice(VoiceOptions(cache_dir=str(tmp_path)), Settings(x=1, y=1), console=False),
        ["late apex"],
        notes.append,
        on_report=lambda name, report: reports.append((name, report.kind)),
    )
    try:
        assert 0.3 < live.durations_s["late apex"] < 2.0
        deadline = time.monotonic() + 30
        while not {("voice", "started"), ("overlay", "painted")} <= set(reports):
            assert time.monotonic() < deadline, (notes, reports)
            live.output.view(View(t_s=1.0, state="live"))
            if {("voice", "ready"), ("overlay", "ready")} <= set(reports):
                live.output.decision(CUE)
            time.sleep(0.05)
    finally:
        live.close()
    assert [f"overlay: {AT_START}"] == notes


@pytest.mark.display
@pytest.mark.usefixtures("display", "no_sound_card")
def test_the_same_run_in_one_process(tmp_path: Path) -> None:
    """Without processes the same choice gives the same outputs as threads, and no process is started."""
    notes: list[str] = []
    closed = threading.Event()
    choice = OutputChoice(
        VoiceOptions(cache_dir=str(tmp_path)),
        Settings(x=1, y=1),
        console=False,
        watch="tcp://127.0.0.1:*",
        processes=False,
    )
    live = Live(choice, ["late apex"], notes.append, closed.set)
    try:
        assert live.supervisor is None
        assert live.watch_address.startswith("tcp://127.0.0.1:")
        live.output.view(View(t_s=1.0, state="live"))
        live.output.decision(CUE)
        assert 3 == len(live.output.outputs)
    finally:
        live.close()
    assert [] == notes
    assert {} == live.output.faults
    assert not closed.is_set()
