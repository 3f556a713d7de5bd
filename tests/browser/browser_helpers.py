"""Helpers of the browser tests: run the coach, start the editor, view a page."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, ViewportSize

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


def coach(*arguments: str, env: dict[str, str], code: int = 0) -> str:
    """Run the command line; what it printed."""
    command = [sys.executable, "-m", "coach", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, env=env, timeout=180, check=False)
    assert code == done.returncode, done.stderr
    return done.stdout + done.stderr


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
    """The page is no wider than the screen, once the screen's size is taken up; else what sticks out of it."""
    deadline = time.monotonic() + 10.0
    # asked from here: the pages forbid the evaluated scripts with which playwright would wait
    while page.evaluate("document.documentElement.scrollWidth > window.innerWidth"):
        if time.monotonic() > deadline:
            found = page.evaluate(
                "[document.documentElement.scrollWidth, window.innerWidth, ...[...document.querySelectorAll('*')]"
                ".filter(e => e.getBoundingClientRect().right > window.innerWidth + 1)"
                ".map(e => e.outerHTML.slice(0, 90))].slice(0, 30)"
            )
            raise AssertionError(f"wider than the screen: {found}")
        page.wait_for_timeout(50)
