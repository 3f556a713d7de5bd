"""Makes the pictures of the pages: ``python tests/tools/page_pictures.py [FOLDER]``.

Debrief, guide and editor of a session that ships: desktop, phone, dark screen and paper, in the system's Chromium;
the desktop's editor with a brake point dragged; and the debrief of a practice session with habits, against its
reachable lap. Colours are reduced so that each file stays under 150 kB.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final, Literal

from PIL import Image
from playwright.sync_api import Page, ViewportSize, sync_playwright

from coach.session.header import Header
from coach.session.writer import SessionWriter
from feeds.practice import FaultPlan, Scatter, hollow_ridge, simulate

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "tests" / "browser"), str(ROOT / "tests" / "tools")]

from browser_helpers import ARGUMENTS, CHROMIUM, DESKTOP, PHONE, Editor  # noqa: E402
from simulated import columns_of  # noqa: E402

SESSION = ROOT / "replay_samples" / "first_laps"
PROFILE = ROOT / "profiles" / "hollow_ridge"
MOST_BYTES = 150_000
PAPER: Final[ViewportSize] = {"width": 794, "height": 1123}
"""A4 at 96 pixels an inch."""


LOOKS: Final[tuple[tuple[str, ViewportSize, int, Literal["light", "dark"], Literal["screen", "print"]], ...]] = (
    ("", DESKTOP, 1900, "light", "screen"),
    ("_phone", PHONE, 1700, "light", "screen"),
    ("_dark", DESKTOP, 1900, "dark", "screen"),
    ("_phone_dark", PHONE, 1700, "dark", "screen"),
    ("_print", PAPER, 1900, "light", "print"),
)
"""Ending of the name, window, height that is kept, scheme, medium."""


def shoot(page: Page, file: Path, height: int, begin: str = "") -> None:
    """``height`` pixels of the page as a small PNG, from the top or from the element ``begin``."""
    box = page.locator(begin).bounding_box() if begin else None
    top = round(box["y"]) - 12 if box is not None else 0
    data = page.screenshot(full_page=True)
    with Image.open(io.BytesIO(data)) as whole:
        part = whole.convert("RGB").crop((0, top, whole.width, min(top + height, whole.height)))
        part.quantize(128, dither=Image.Dither.NONE).save(file, optimize=True)
    size = file.stat().st_size
    print(f"{file}: {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        raise SystemExit(f"{file} has {size} bytes, more than {MOST_BYTES}")


def against_reachable(work: Path) -> Path:
    """The debrief of twelve laps with a habit at five corners, against the lap that they show to be reachable."""
    habits = FaultPlan.of(
        ("Quarry", "brake_early", 20.0), ("Kestrel", "slow_middle", 2.5), ("Tollgate", "brake_soft", 0.3),
        ("Signal", "throttle_late", 25.0), ("Larch", "slow_middle", 2.0),
    )  # fmt: skip
    run = simulate(hollow_ridge(), 12, seed=8, faults=habits, scatter=Scatter())
    writer = SessionWriter(work / "s", Header(session="s", started_at="2026-01-01T18:00:00+00:00", feed="practice"))
    writer.frames(columns_of(run))
    writer.close()
    coach = [sys.executable, "-m", "coach"]
    survey = [*coach, "survey", f"{work}/s", "-o", f"{work}/own", "--target", "reachable", "--circuit", "Hollow Ridge"]
    debrief = [*coach, "debrief", f"{work}/s", "--profile", f"{work}/own", "--no-keep", "--html", f"{work}/r.html"]
    for command in (survey, debrief):
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return work / "r.html"


def drag_brake(page: Page) -> None:
    """Drag the first corner's brake point a few metres, and ask why a cue changed."""
    box = page.locator(".piece .handle[data-field=brake_m] circle").bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x, y - 4)
    page.mouse.move(x, y - 12)
    page.mouse.up()
    page.wait_for_function("document.querySelector('.desk').innerText.includes('run 2 took')")
    page.get_by_label("show").click()
    page.get_by_role("option", name="what changed").click()
    page.get_by_role("button", name=re.compile("^why: ")).first.click()
    page.locator(".why").wait_for()
    page.evaluate("window.scrollTo(0, 0)")
    page.wait_for_timeout(500)


def main() -> None:
    """Make them all."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "replay_samples" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as playwright:
        work = Path(scratch)
        coach = [sys.executable, "-m", "coach"]
        subprocess.run(
            [*coach, "debrief", SESSION, "--html", work / "d.html", "--no-keep"], check=True, stdout=subprocess.DEVNULL
        )
        subprocess.run([*coach, "guide", PROFILE, "-o", work / "g.html"], check=True, stdout=subprocess.DEVNULL)
        shutil.copytree(PROFILE, work / "hollow_ridge")
        editor = Editor(work / "hollow_ridge", SESSION, dict(os.environ))
        reachable = against_reachable(work)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        try:
            page = browser.new_page(viewport=DESKTOP)
            page.goto(reachable.as_uri())
            page.wait_for_timeout(300)
            shoot(page, folder / "reachable.png", 1900, "h2:has-text('Where the next second is')")
            page.close()
            for size, view, high, scheme, media in LOOKS:
                page = browser.new_page(viewport=view, color_scheme=scheme)
                page.emulate_media(color_scheme=scheme, media=media)
                for name, address in (("debrief", "d.html"), ("guide", "g.html")):
                    page.goto((work / address).as_uri())
                    page.wait_for_timeout(300)
                    shoot(page, folder / f"{name}{size}.png", high)
                if media == "print":
                    page.close()
                    continue
                page.goto(editor.address)
                page.wait_for_function("document.querySelector('.desk')?.innerText.includes(' took ')")
                page.wait_for_timeout(800)
                if not size:
                    drag_brake(page)
                shoot(page, folder / f"editor{size}.png", high)
                page.close()
        finally:
            browser.close()
            editor.close()


if __name__ == "__main__":
    main()
