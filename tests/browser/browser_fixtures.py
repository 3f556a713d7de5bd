"""What the browser tests share: a real Chromium, a session to look at, the editor as its own process."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Dialog, Page, ViewportSize, sync_playwright

CHROMIUM = next((p for p in ("/usr/bin/chromium", "/usr/bin/chromium-browser") if Path(p).exists()), "")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
    "--autoplay-policy=user-gesture-required",
]
DESKTOP: ViewportSize = {"width": 1280, "height": 900}
PHONE: ViewportSize = {"width": 390, "height": 844}
AXE = "axe-core@4"
WAIT_MS = 60_000
NASTY = "<img src=x onerror=alert(1)>"
"""A name that would run if it ever became markup (40 letters at most)."""


def in_ci() -> bool:
    """Whether a missing tool is a failure: nothing may be skipped silently there."""
    return bool(os.environ.get("CI"))


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """The system's Chromium, headless."""
    if not CHROMIUM:
        if in_ci():
            pytest.fail("no Chromium on this machine")
        pytest.skip("no Chromium on this machine")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def axe() -> str:
    """The accessibility checker's script, fetched once by npm into a folder outside the repository."""
    folder = Path(tempfile.gettempdir()) / "coach-axe-core"
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        done = None
        if npm is not None:
            folder.mkdir(exist_ok=True)
            command = [npm, "install", "--no-audit", "--no-fund", "--prefix", str(folder), AXE]
            done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        if not script.exists():
            why = f"axe-core could not be installed: {done.stderr[-300:] if done else 'no npm'}"
            if in_ci():
                pytest.fail(why)
            pytest.skip(why)
    return script.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def home(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment in which the coach keeps nothing outside the test's own folder."""
    folder = tmp_path_factory.mktemp("home")
    # the page kit behaves otherwise when it believes that it is being tested itself
    plain = {k: v for k, v in os.environ.items() if not k.startswith("PYTEST_")}
    return {**plain, "XDG_DATA_HOME": str(folder / "data"), "XDG_CACHE_HOME": str(folder / "cache")}


def coach(*arguments: str, env: dict[str, str], code: int = 0) -> str:
    """Run the command line; what it printed."""
    command = [sys.executable, "-m", "coach", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=180, check=False)
    assert code == done.returncode, done.stderr
    return done.stdout + done.stderr


@pytest.fixture(scope="session")
def driven() -> Path:
    """A session that ships: the first laps of the practice driver, with reminders before the corners."""
    return Path(__file__).parents[2] / "replay_samples" / "first_laps"


@pytest.fixture
def profile(tmp_path: Path, repository: Path) -> Path:
    """A copy of the profile that ships, to be edited; its file's path."""
    shutil.copytree(repository / "profiles" / "hollow_ridge", tmp_path / "profile")
    return tmp_path / "profile" / "profile.yaml"


class Editor:
    """``coach edit`` on a profile as a process of its own; ``address`` when it is open."""

    def __init__(self, profile: Path, session: Path | None, env: dict[str, str]) -> None:
        command = [sys.executable, "-m", "coach", "edit", str(profile), "--port", "0", "--no-browser"]
        command += ["--session", str(session)] if session is not None else []
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=env)
        self.address = ""
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if found := re.search(r"open (http://\S+)", line):
                self.address = found[1]
                wait_for(self.address)
                return
        raise AssertionError("the editor ended before it was open")

    def close(self) -> None:
        """End the process."""
        self._process.terminate()
        self._process.wait(timeout=20)
        if self._process.stdout is not None:
            self._process.stdout.close()


@pytest.fixture
def editor(profile: Path, driven: Path, home: dict[str, str]) -> Iterator[str]:
    """An editor of this test's own on the copied profile; its address."""
    running = Editor(profile, driven, home)
    yield running.address
    running.close()


@pytest.fixture(scope="module")
def reader(driven: Path, home: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An editor for tests that change nothing; its address."""
    folder = tmp_path_factory.mktemp("shown") / "profile"
    shutil.copytree(Path(__file__).parents[2] / "profiles" / "hollow_ridge", folder)
    running = Editor(folder, driven, home)
    yield running.address
    running.close()


def wait_for(address: str) -> None:
    """Until the server answers."""
    deadline = time.monotonic() + 60.0
    while True:
        try:
            with urllib.request.urlopen(address, timeout=30.0):
                return
        except (urllib.error.URLError, OSError):
            assert time.monotonic() < deadline, "the editor does not answer"
            time.sleep(0.05)


@pytest.fixture
def page(chromium: Browser) -> Iterator[Page]:
    """A page in a fresh context; anything it says on its console as an error fails the test."""
    context = chromium.new_context(viewport=DESKTOP)
    opened = context.new_page()
    opened.set_default_timeout(WAIT_MS)
    said: list[str] = []
    opened.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
    opened.on("pageerror", lambda e: said.append(str(e)))

    def ran(dialog: Dialog) -> None:
        said.append(f"a script ran: {dialog.message}")
        dialog.dismiss()

    opened.on("dialog", ran)
    yield opened
    context.close()
    assert [] == said


def serious(page: Page, axe: str) -> list[str]:
    """The serious and critical faults that axe-core finds on the page as it is."""
    page.evaluate(axe)
    found: list[dict[str, Any]] = page.evaluate(
        "axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)"
    )
    return [
        f"{v['id']}: {v['nodes'][0]['html'][:160]} ({len(v['nodes'])}x)"
        for v in found
        if v["impact"] in ("serious", "critical")
    ]


def no_sideways_scroll(page: Page) -> None:
    """The page is no wider than the screen."""
    assert page.evaluate("document.documentElement.scrollWidth") <= page.evaluate("window.innerWidth")
