"""The debrief and the guide in a real browser: without network, on a phone, on paper, with hostile names."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from browser_helpers import NASTY, PHONE, coach, no_sideways_scroll, serious
from playwright.sync_api import Page

pytest_plugins = ["browser_fixtures"]
pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def written(driven: Path, home: dict[str, str], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Both pages of the session's circuit as files; the session lies where its path is longer than a phone is wide."""
    folder = tmp_path_factory.mktemp("pages")
    driven = Path(shutil.copytree(driven, folder / ("a_folder_with_a_long_name" * 4) / "first_laps"))
    files = {"debrief": folder / "debrief.html", "guide": folder / "guide.html"}
    coach("debrief", str(driven), "--html", str(files["debrief"]), env=home)
    coach("guide", "hollow_ridge", "-o", str(files["guide"]), env=home)
    return files


def open_offline(page: Page, file: Path) -> list[str]:
    """Open the file with the network cut; the addresses it asked for besides itself."""
    asked: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.context.set_offline(True)
    page.goto(file.as_uri())
    return [url for url in asked if url != file.as_uri() and not url.startswith("data:")]


@pytest.mark.parametrize("name", ["debrief", "guide"])
@pytest.mark.parametrize("size", ["desktop", "phone"])
def test_page_needs_no_network_and_fits(page: Page, written: dict[str, Path], name: str, size: str, axe: str) -> None:
    """A page asks for nothing, is no wider than the screen, and has no serious accessibility fault."""
    if size == "phone":
        page.set_viewport_size(PHONE)
    assert [] == open_offline(page, written[name])
    no_sideways_scroll(page)
    assert [] == serious(page, axe)


def test_debrief_draws_its_charts_and_zooms_them_together(page: Page, written: dict[str, Path]) -> None:
    """All panels of the traces show the corner that is chosen; a lap can be taken out and brought back."""
    open_offline(page, written["debrief"])
    chart = "echarts.getInstanceByDom(document.getElementById('trace-chart'))"
    panels = page.evaluate(f"{chart}.getOption().grid.length")
    assert 5 == panels
    first = page.locator(".places a").first
    low, high = (float(first.get_attribute(f"data-{end}") or "nan") for end in ("from", "to"))
    first.click()
    extent = f"{chart}.getModel().getComponent('xAxis', i).axis.scale.getExtent()"
    axes = page.evaluate(f"Array.from({{length: {panels}}}, (_, i) => {extent})")
    for shown_low, shown_high in axes:
        assert shown_low == pytest.approx(max(low, 0.0), abs=1.0)
        assert shown_high == pytest.approx(high, abs=1.0)
    box = page.locator("[data-lap]").first
    before = box.is_checked()
    box.set_checked(not before)
    lap = box.get_attribute("data-lap")
    assert page.evaluate(f"{chart}.getOption().legend[0].selected['{lap}']") is not before


def test_debrief_tells_the_numbers_under_the_pointer(page: Page, written: dict[str, Path]) -> None:
    """Hovering over the traces shows the value of each lap that is shown."""
    open_offline(page, written["debrief"])
    place = page.locator("#trace-chart")
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 120)
    page.wait_for_function("document.querySelector('#trace-chart svg').textContent.includes('reference')")


def test_names_above_the_traces_never_overlap(page: Page, written: dict[str, Path]) -> None:
    """On a phone the names that have no room are left out; zoomed in, a corner's own name is there."""
    page.set_viewport_size(PHONE)
    open_offline(page, written["debrief"])
    corners = page.locator("tbody th a[data-from]").all_inner_texts()
    texts = page.locator("#trace-chart svg text")

    def named() -> list[dict[str, float]]:
        return [box for t in texts.all() if t.inner_html() in corners and (box := t.bounding_box()) is not None]  # type: ignore[misc]

    page.locator("#trace-chart").scroll_into_view_if_needed()
    boxes = named()
    assert 4 <= len(boxes) < len(corners)
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            beside = a["x"] + a["width"] <= b["x"] or b["x"] + b["width"] <= a["x"]
            assert beside or abs(a["y"] - b["y"]) >= 10.0
    assert "Larch" not in [t.inner_html() for t in texts.all()]
    page.locator("tbody th a[data-from]").nth(corners.index("Larch")).click()
    assert "Larch" in [t.inner_html() for t in texts.all()]


def test_debrief_prints_on_paper(page: Page, written: dict[str, Path]) -> None:
    """Printing gives a few pages with what is only for the screen left out."""
    open_offline(page, written["debrief"])
    page.emulate_media(media="print")
    assert not page.locator("fieldset.laps").is_visible()
    pdf = page.pdf(format="A4")
    assert pdf.startswith(b"%PDF")
    assert 2 <= pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") <= 12


def test_hostile_names_are_text(page: Page, profile: Path, driven: Path, home: dict[str, str], tmp_path: Path) -> None:
    """Markup in the names of circuit and corners, and in words, shows as written and never runs."""
    text = profile.read_text(encoding="utf-8")
    text = text.replace('circuit: "Hollow Ridge"', f"circuit: '{NASTY}'")
    text = text.replace("name: Quarry", f"name: '{NASTY}'").replace('"ease off the brake"', "'</script><b>x'")
    profile.write_text(text, encoding="utf-8")
    session = tmp_path / "session"
    shutil.copytree(driven, session)
    (session / "profile.yaml").write_text(text, encoding="utf-8")
    debrief, guide = tmp_path / "d.html", tmp_path / "g.html"
    coach("debrief", str(session), "--html", str(debrief), "--no-keep", env=home)
    coach("guide", str(profile), "-o", str(guide), env=home)
    for file in (debrief, guide):
        open_offline(page, file)
        assert NASTY in page.locator("h1").inner_text()
        assert 0 == page.locator("img").count()
        assert 0 == page.locator("main b").count()
    assert "</script><b>x" in page.locator("main").inner_text()


@pytest.mark.parametrize("name", ["debrief", "guide"])
def test_pages_in_the_dark(page: Page, written: dict[str, Path], name: str, axe: str) -> None:
    """On a screen that asks for dark the page is dark, charts too, and has no serious fault; on paper it is light."""
    page.emulate_media(color_scheme="dark")
    open_offline(page, written[name])
    back = "getComputedStyle(document.body).backgroundColor"
    assert "rgb(18, 21, 26)" == page.evaluate(back)
    assert [] == serious(page, axe)
    if name == "debrief":
        words = page.locator("#trace-chart svg text").all()
        fills = {t.get_attribute("fill") for t in words}
        assert "#e9ecf0" in fills
        assert "#1b2026" not in fills
    page.emulate_media(color_scheme="dark", media="print")
    assert "rgb(255, 255, 255)" == page.evaluate(back)


def test_one_scale_for_one_measure(page: Page, written: dict[str, Path]) -> None:
    """All dots of brake points share one scale around the reference, all of minimum speeds another."""
    open_offline(page, written["debrief"])
    axes = page.evaluate(
        "[...document.querySelectorAll('.dots')].map(e => echarts.getInstanceByDom(e).getOption().yAxis"
        ".map(a => [a.min, a.max]))"
    )
    assert 11 == len(axes)
    both = [a for a in axes if len(a) == 2]
    assert both
    assert 1 == len({tuple(a[0]) for a in both})
    assert 1 == len({tuple(a[-1]) for a in axes})
    for low, high in (both[0][0], axes[0][-1]):
        assert low == -high


def test_cards_agree_with_the_table(page: Page, written: dict[str, Path]) -> None:
    """A card repeats the table's number for its corner, and says how its own goes with it."""
    open_offline(page, written["debrief"])
    cards = page.locator(".places li").all()
    assert cards
    for card in cards:
        corner = card.locator("h3").inner_text().partition(". ")[2]
        row = page.locator("tbody tr").filter(has=page.get_by_role("link", name=corner, exact=True))
        total = row.locator("td").first.inner_text().strip()
        assert f"({total} s per lap)" in card.inner_text()


def test_cautions_and_corrections_look_different(page: Page, written: dict[str, Path]) -> None:
    """A caution has a sign, its word and a frame; no other kind of cue has any of them."""
    open_offline(page, written["debrief"])
    kinds = page.locator("tr.cue .kind").all()
    assert kinds
    for kind in kinds:
        caution = "caution" in (kind.get_attribute("class") or "")
        framed = kind.evaluate("e => getComputedStyle(e).borderTopWidth") != "0px"
        assert caution == framed == kind.inner_text().startswith("\u26a0")


def test_every_map_has_line_and_direction(page: Page, written: dict[str, Path]) -> None:
    """The circuit's map has a start line and an arrow; each corner's map in the guide has an arrow."""
    for name in written:
        open_offline(page, written[name])
        maps = page.locator("svg.map")
        assert maps.count() == page.locator("svg.map .direction").count()
        assert page.locator("svg.map").first.locator(".start").count() == 1


def test_guide_on_a_phone_is_compact_and_prints_nothing_over(page: Page, written: dict[str, Path]) -> None:
    """At 390 pixels a corner takes about one screen, and no two texts of a drawing overlap."""
    page.set_viewport_size(PHONE)
    open_offline(page, written["guide"])
    corners = page.locator("section.corner").all()
    for corner in corners:
        box = corner.bounding_box()
        assert box is not None
        assert box["height"] <= 1.15 * PHONE["height"]
    # boxes of the letters in the drawing's own units, without the outline that keeps them readable on lines
    letters = "e => [...e.querySelectorAll('text')].map(t => t.getBBox()).map(b => [b.x, b.y, b.width, b.height])"
    for drawing in page.locator("section.corner svg").all():
        boxes = drawing.evaluate(letters)
        for i, (x1, y1, w1, h1) in enumerate(boxes):
            for x2, y2, w2, h2 in boxes[i + 1 :]:
                wide, high = min(x1 + w1, x2 + w2) - max(x1, x2), min(y1 + h1, y2 + h2) - max(y1, y2)
                assert min(wide, high) <= 1.0, (x1, y1, x2, y2)


def test_traces_zoom_by_keyboard(page: Page, written: dict[str, Path]) -> None:
    """Plus zooms in, an arrow moves, 0 shows the whole lap."""
    open_offline(page, written["debrief"])
    page.locator("#trace-chart").focus()
    span = (
        "(() => { const z = echarts.getInstanceByDom(document.getElementById('trace-chart')).getOption().dataZoom[0];"
    )
    span += " return [z.startValue, z.endValue]; })()"
    low, high = page.evaluate(span)
    page.keyboard.press("+")
    inner_low, inner_high = page.evaluate(span)
    assert low < inner_low < inner_high < high
    page.keyboard.press("ArrowRight")
    assert page.evaluate(span)[0] > inner_low
    page.keyboard.press("0")
    assert [low, high] == page.evaluate(span)
