"""Fixtures of the browser tests: a real Chromium, a session to view, the editor as its own process."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from browser_helpers import ARGUMENTS, AXE, CHROMIUM, DESKTOP, WAIT_MS, Editor, in_ci
from playwright.sync_api import Browser, Dialog, Page, sync_playwright


# of a module, not of the session: while playwright runs, no other test in the process could run an event loop
@pytest.fixture(scope="module")
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


@pytest.fixture(scope="session")
def driven() -> Path:
    """A session that ships: the first laps of the practice driver, with reminders before the corners."""
    return Path(__file__).parents[2] / "replay_samples" / "first_laps"


@pytest.fixture
def profile(tmp_path: Path, repository: Path) -> Path:
    """A copy of the profile that ships, to be edited; its file's path."""
    shutil.copytree(repository / "profiles" / "hollow_ridge", tmp_path / "profile")
    return tmp_path / "profile" / "profile.yaml"


@pytest.fixture
def editor(page: Page, profile: Path, driven: Path, home: dict[str, str]) -> Iterator[str]:
    """An editor of this test's own on the copied profile; its address."""
    running = Editor(profile, driven, home)
    yield running.address
    page.close()  # before its server goes: a page left alone says so on its console
    running.close()


@pytest.fixture(scope="module")
def reader(driven: Path, home: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """An editor for tests that change nothing; its address."""
    folder = tmp_path_factory.mktemp("shown") / "profile"
    shutil.copytree(Path(__file__).parents[2] / "profiles" / "hollow_ridge", folder)
    running = Editor(folder, driven, home)
    yield running.address
    running.close()


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
