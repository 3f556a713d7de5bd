"""The editor in a real browser: drag, see the cue move, save, read the file; errors, undo, hostile names, phone."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from browser_helpers import NASTY, PHONE, WAIT_MS, Editor, no_sideways_scroll, serious
from playwright.sync_api import Page, expect

pytest_plugins = ["browser_fixtures"]
pytestmark = pytest.mark.browser
expect.set_options(timeout=WAIT_MS)


def opened(page: Page, address: str) -> None:
    """Open the editor and wait until it shows the cues."""
    page.goto(address)
    expect(page.get_by_text(re.compile(r"run 1 took"))).to_be_visible()
    page.wait_for_function("window.coachEditor && document.querySelector('.map-holder .handle')")


def brake_of(profile: Path) -> float:
    """The brake point of the first corner as the file has it."""
    found = re.search(r"brake_m: ([\d.]+)", profile.read_text(encoding="utf-8"))
    assert found is not None
    return float(found[1])


def drag(page: Page, start: tuple[float, float], by: tuple[float, float]) -> None:
    """Press, move in steps, let go."""
    page.mouse.move(*start)
    page.mouse.down()
    for k in range(1, 6):
        page.mouse.move(start[0] + by[0] * k / 5, start[1] + by[1] * k / 5)
    page.mouse.up()


def test_drag_on_map_moves_the_cue_and_saves_with_comments(page: Page, editor: str, profile: Path) -> None:
    """A brake point dragged on the map is in the form, the cues rerun, the file keeps its comments."""
    before = profile.read_text(encoding="utf-8")
    was = brake_of(profile)
    opened(page, editor)
    handle = page.locator(".piece .handle[data-field=brake_m] circle")
    box = handle.bounding_box()
    turn_in = page.locator(".piece .handle[data-field=turn_in_m] circle").bounding_box()
    assert box is not None
    assert turn_in is not None
    # away from the turn-in: earlier
    by = ((box["x"] - turn_in["x"]) * 0.4, (box["y"] - turn_in["y"]) * 0.4)
    drag(page, (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2), by)
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    now = float(page.get_by_label("brake, m", exact=True).input_value())
    assert now < was - 5.0
    expect(page.get_by_text("unsaved changes")).to_be_visible()
    # the rules of the first laps remind of the brake point: the reminder moves with it
    expect(page.get_by_text(re.compile(r"spoken, .*[1-9]\d* changed"))).to_be_visible()
    page.get_by_label("show").click()
    page.get_by_role("option", name="what changed").click()
    expect(page.locator("tbody tr").filter(has_text="Quarry, brake").filter(has_text="≠").first).to_be_visible()
    assert before == profile.read_text(encoding="utf-8")
    page.get_by_role("button", name="save").click()
    expect(page.locator("header").get_by_text("saved", exact=True)).to_be_visible()
    after = profile.read_text(encoding="utf-8")
    assert now == brake_of(profile)
    assert [line for line in before.splitlines() if "#" in line] == [x for x in after.splitlines() if "#" in x]
    assert 1 == sum(a != b for a, b in zip(before.splitlines(), after.splitlines(), strict=True))


def test_drag_on_the_traces(page: Page, editor: str, profile: Path) -> None:
    """The same point can be dragged on the traces."""
    was = brake_of(profile)
    opened(page, editor)
    page.wait_for_timeout(300)  # the chart's own first layout
    page.locator(".trace-holder").scroll_into_view_if_needed()
    x, y = page.evaluate("coachEditor.markAt('brake_m')")
    drag(page, (x, y), (-40.0, 0.0))
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    assert float(page.get_by_label("brake, m", exact=True).input_value()) < was - 5.0


def test_bad_entry_names_the_field_that_was_typed(page: Page, editor: str, profile: Path) -> None:
    """A wrong entry is named by its label, without a path or an identifier, on top and under it; it cannot be saved."""
    opened(page, editor)
    page.get_by_label("apex, m", exact=True).fill("100")
    problems = page.locator(".problems")
    expect(problems).to_contain_text("Quarry, apex, m: ")
    expect(problems).to_contain_text("found 100")
    for hidden in (str(profile), "apex_m", "turn_in_m"):
        expect(problems).not_to_contain_text(hidden)
    expect(page.locator(".fields").get_by_text("found 100")).to_be_visible()
    expect(page.get_by_role("button", name="save")).to_be_disabled()
    page.get_by_label("gear", exact=True).fill("twelve")
    expect(problems).to_contain_text("'twelve'")
    page.get_by_label("gear", exact=True).fill("2")
    page.get_by_label("apex, m", exact=True).fill("326")
    expect(page.get_by_text("unsaved changes")).to_be_visible()


def test_a_kerbs_begin_and_end_are_entered_and_saved(page: Page, editor: str, profile: Path) -> None:
    """Two numbers in driving order; the wrong way round is told under the field by its label and cannot be saved."""
    opened(page, editor)
    field = page.get_by_label("exit kerb at, m", exact=True)
    field.fill("392, 360")
    expect(page.locator(".problems")).to_contain_text("Quarry, exit kerb at, m: expected begin before end")
    expect(page.locator(".fields").get_by_text("found [392, 360]")).to_be_visible()
    expect(page.get_by_role("button", name="save")).to_be_disabled()
    field.fill("360, 392")
    expect(page.locator(".problems")).not_to_contain_text("exit kerb")
    page.get_by_role("button", name="save").click()
    expect(page.locator("header").get_by_text("saved", exact=True)).to_be_visible()
    assert "exit_m: [360, 392]" in profile.read_text(encoding="utf-8")


def test_undo_and_redo(page: Page, editor: str, profile: Path) -> None:
    """An edit is taken back and brought again; without one there is nothing to undo."""
    was = brake_of(profile)
    opened(page, editor)
    undo, redo = page.get_by_role("button", name="undo"), page.get_by_role("button", name="redo")
    expect(undo).to_be_disabled()
    field = page.get_by_label("brake, m", exact=True)
    field.fill("170.5")
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    undo.click()
    expect(field).to_have_value(f"{was:.10g}")
    expect(page.locator("header").get_by_text("saved", exact=True)).to_be_visible()
    redo.click()
    expect(field).to_have_value("170.5")


def test_add_and_delete_a_corner(page: Page, editor: str, profile: Path) -> None:
    """A corner is deleted, brought back by undo, deleted again; another is added, named, saved; the rest stays."""
    before = profile.read_text(encoding="utf-8")
    opened(page, editor)
    name, undo = page.get_by_label("name", exact=True), page.get_by_role("button", name="undo")
    delete, add = (page.get_by_role("button", name=text) for text in ("delete this corner", "add a corner"))
    delete.click()
    expect(name).to_have_value("Gorse")
    expect(page.locator(".map [data-corner]")).to_have_count(10)
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    undo.click()
    expect(name).to_have_value("Quarry")
    delete.click()
    expect(name).to_have_value("Gorse")
    add.click()
    dialog = page.get_by_role("dialog")
    apex = dialog.get_by_label("apex, m along the lap")
    apex.fill("460")
    dialog.get_by_role("button", name="add", exact=True).click()
    expect(dialog.get_by_text("expected a place outside every corner (")).to_be_visible()
    apex.fill("326.4")
    apex.press("Enter")
    expect(dialog).not_to_be_visible()
    expect(name).to_have_value("New corner")
    expect(page.locator(".map [data-corner]")).to_have_count(11)
    name.fill("Pit of stones")
    expect(page.locator(".map .chosen")).to_contain_text("Pit of stones")
    page.get_by_role("button", name="save").click()
    expect(page.locator("header").get_by_text("saved", exact=True)).to_be_visible()
    after = profile.read_text(encoding="utf-8")
    start = before.index("  # Leads straight into Larch")
    assert after.endswith(before[start:])
    assert "  - name: Pit of stones\n    direction: right\n    brake_m: 17" in after
    assert "Quarry" not in after


def test_change_on_disk_is_noticed_and_never_overwritten(page: Page, editor: str, profile: Path) -> None:
    """Someone else's save shows at once; saving does not overwrite it; taking it shows it in the form."""
    opened(page, editor)
    page.get_by_label("brake, m", exact=True).fill("171")
    expect(page.get_by_text("unsaved changes")).to_be_visible()
    theirs = re.sub(r"brake_m: [\d.]+", "brake_m: 165.5", profile.read_text(encoding="utf-8"), count=1)
    profile.write_text(theirs, encoding="utf-8")
    notice = page.get_by_role("alert").filter(has_text="changed this file on disk")
    expect(notice).to_be_visible()
    page.get_by_role("button", name="save").click()
    expect(notice).to_be_visible()
    assert theirs == profile.read_text(encoding="utf-8")
    page.get_by_role("button", name="load the file from disk").click()
    expect(page.get_by_label("brake, m", exact=True)).to_have_value("165.5")
    expect(notice).not_to_be_visible()


def test_cue_is_explained_and_heard(page: Page, reader: str) -> None:
    """Each cue tells why it was spoken or held back; hearing it plays a sound of this machine's voice."""
    opened(page, reader)
    page.evaluate("() => { window.played = []; coachEditor.play = (data) => { played.push(data); }; }")
    page.get_by_role("button", name=re.compile("^why: ")).first.click()
    row = page.locator("tbody tr").first
    expect(row.locator(".why")).to_contain_text(re.compile(r"Rule \S+ .* Spoken"))
    assert 1 == page.locator(".why").count()
    page.get_by_role("button", name=re.compile("^hear: ")).first.click()
    page.wait_for_function("played.length === 1 && played[0].startsWith('data:audio/wav;base64,UklGR')")
    page.get_by_label("show").click()
    page.get_by_role("option", name="all, held back too").click()
    expect(page.get_by_text("held back: ").first).to_be_visible()


def test_hostile_name_is_text_in_the_editor(page: Page, editor: str) -> None:
    """A name that is markup shows as written on the map, in the form and in the cues, and never runs."""
    opened(page, editor)
    page.get_by_label("name", exact=True).fill(NASTY)
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    expect(page.locator(".map [data-corner='0']")).to_contain_text(NASTY[:10])
    assert 0 == page.locator("img").count()


@pytest.mark.parametrize("size", ["desktop", "phone"])
def test_editor_fits_and_is_accessible(page: Page, reader: str, size: str, axe: str) -> None:
    """No serious accessibility fault, and nothing wider than the screen."""
    if size == "phone":
        page.set_viewport_size(PHONE)
    opened(page, reader)
    no_sideways_scroll(page)
    assert [] == serious(page, axe)


def test_editor_works_without_a_session(page: Page, profile: Path, home: dict[str, str]) -> None:
    """Map, reference and form are there without a session; only the cues are not."""
    running = Editor(profile, None, home)
    try:
        page.goto(running.address)
        expect(page.get_by_label("brake, m", exact=True)).not_to_have_value("")
        expect(page.locator(".piece .handle")).to_have_count(4)
        assert 0 == page.get_by_text("What the coach would say now").count()
        page.goto("about:blank")
    finally:
        running.close()


def test_debrief_and_guide_open_from_the_editor(page: Page, reader: str) -> None:
    """Both pages use the current profile."""
    for name in ("debrief", "guide"):
        page.goto(f"{reader}{name}")
        expect(page.locator("h1")).to_contain_text("Hollow Ridge")


def test_a_drag_stops_at_its_neighbour(page: Page, editor: str) -> None:
    """The brake point dragged far past the turn-in stops a metre before it, or at its limit; nothing becomes wrong."""
    opened(page, editor)
    limit = page.get_by_label("latest brake point, m", exact=True)
    latest = float(limit.input_value())
    drag_to_exit(page)
    expect(page.get_by_text(re.compile(r"run 2 took"))).to_be_visible()
    brake = page.get_by_label("brake, m", exact=True)
    assert latest == pytest.approx(float(brake.input_value()), abs=0.11)
    limit.fill("")
    expect(page.get_by_text(re.compile(r"run 3 took"))).to_be_visible()
    page.wait_for_function("+document.querySelector('.handle[data-field=brake_m]').dataset.high > 250")
    drag_to_exit(page)
    expect(page.get_by_text(re.compile(r"run 4 took"))).to_be_visible()
    turn_in = float(page.get_by_label("turn-in, m", exact=True).input_value())
    assert turn_in - 1.0 == pytest.approx(float(brake.input_value()), abs=0.11)
    expect(page.locator(".problems")).not_to_be_visible()


def drag_to_exit(page: Page) -> None:
    """Drag the brake point's handle to where the exit's is."""
    brake = page.locator(".piece .handle[data-field=brake_m] circle").bounding_box()
    exit_ = page.locator(".piece .handle[data-field=exit_m] circle").bounding_box()
    assert brake is not None
    assert exit_ is not None
    start = (brake["x"] + brake["width"] / 2, brake["y"] + brake["height"] / 2)
    by = (exit_["x"] - brake["x"], exit_["y"] - brake["y"])
    page.mouse.move(*start)
    page.mouse.down()
    for k in range(1, 31):
        page.mouse.move(start[0] + by[0] * k / 30, start[1] + by[1] * k / 30)
    page.mouse.up()


def test_points_that_coincide_have_handles_apart(page: Page, editor: str) -> None:
    """With brake point and turn-in at the same metre, both handles can be seen and dragged on their own."""
    opened(page, editor)
    page.locator(".map [data-corner='1']").click()
    expect(page.get_by_label("name", exact=True)).to_have_value("Gorse")
    page.get_by_label("latest brake point, m", exact=True).fill("")
    page.get_by_label("brake, m", exact=True).fill(page.get_by_label("turn-in, m", exact=True).input_value())
    page.wait_for_function(
        "['brake_m', 'turn_in_m'].map(f => document.querySelector(`.handle[data-field=${f}]`).dataset.place)"
        ".every((p, _, all) => p === all[0])"
    )
    boxes = [page.locator(f".piece .handle[data-field={f}] circle").bounding_box() for f in ("brake_m", "turn_in_m")]
    assert boxes[0] is not None
    assert boxes[1] is not None
    far = ((boxes[0]["x"] - boxes[1]["x"]) ** 2 + (boxes[0]["y"] - boxes[1]["y"]) ** 2) ** 0.5
    assert far >= boxes[0]["width"]


def test_everything_by_keyboard(page: Page, editor: str, profile: Path) -> None:
    """A point is moved with the arrows and keeps the focus, a corner chosen with Enter, the file saved with Ctrl+S."""
    was = brake_of(profile)
    opened(page, editor)
    handle = page.locator(".piece .handle[data-field=brake_m]")
    handle.focus()
    page.keyboard.press("ArrowLeft")
    expect(page.get_by_label("brake, m", exact=True)).to_have_value(f"{was - 1:.10g}")
    page.wait_for_function("document.activeElement?.dataset?.field === 'brake_m'")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.get_by_label("brake, m", exact=True)).to_have_value(f"{was - 11:.10g}")
    expect(page.get_by_text("unsaved changes")).to_be_visible()
    page.keyboard.press("Control+s")
    expect(page.locator("header").get_by_text("saved", exact=True)).to_be_visible()
    assert was - 11 == pytest.approx(brake_of(profile))
    page.locator(".map [data-corner='1']").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("name", exact=True)).to_have_value("Gorse")


def test_a_change_without_a_changed_cue_says_why(
    page: Page, profile: Path, repository: Path, home: dict[str, str]
) -> None:
    """Corrections compare with the reference: another gear changes none. The page says so and offers what would."""
    running = Editor(profile, repository / "replay_samples" / "evening_run", home)
    try:
        opened(page, running.address)
        page.get_by_label("gear", exact=True).fill("3")
        because = page.locator(".nothing")
        expect(because).to_contain_text("corrections compare your laps with the reference lap")
        page.get_by_role("button", name="use the first-laps rules").click()
        expect(page.get_by_text(re.compile(r"spoken, .*[1-9]\d* new"))).to_be_visible()
        expect(because).not_to_be_visible()
        page.close()
    finally:
        running.close()


def test_lists_show_words(page: Page, reader: str) -> None:
    """No list of the form shows an identifier."""
    opened(page, reader)
    for label in ("direction", "apex", "exit kerb", "muted", "kind", "cue rules"):
        page.get_by_role("combobox", name=label, exact=True).first.click()
        options = page.get_by_role("option")
        expect(options.first).to_be_visible()
        for text in options.all_inner_texts():
            assert "_" not in text, (label, text)
        page.keyboard.press("Escape")
        expect(options).to_have_count(0)


def test_maps_show_line_and_direction(page: Page, reader: str) -> None:
    """Both maps have a start line and an arrow of direction."""
    opened(page, reader)
    assert 2 == page.locator(".map .start").count()
    assert 2 == page.locator(".map .direction").count()


@pytest.mark.parametrize("size", ["desktop", "phone"])
def test_editor_in_the_dark(page: Page, reader: str, size: str, axe: str) -> None:
    """On a screen that asks for dark, paper is dark and axe-core finds no serious fault, contrast included."""
    page.emulate_media(color_scheme="dark")
    if size == "phone":
        page.set_viewport_size(PHONE)
    opened(page, reader)
    page.wait_for_timeout(300)
    shade = page.evaluate("getComputedStyle(document.querySelector('.sheet')).backgroundColor")
    assert "rgb(28, 33, 40)" == shade
    assert [] == serious(page, axe)


def test_a_mark_becomes_a_brake_point_at_a_click(
    page: Page, profile: Path, driven: Path, home: dict[str, str], tmp_path: Path
) -> None:
    """A place marked while driving is on the map and in the list; a click moves the brake point there, undo takes it
    back; another makes a caution of it."""
    session = Path(shutil.copytree(driven, tmp_path / "marked"))
    place = round(brake_of(profile) - 12.0, 1)
    mark = {"kind": "mark", "t_s": 20.0, "lap": 1, "s_m": place, "x_m": 0.0, "y_m": 0.0, "name": "mark 1"}
    with (session / "events.jsonl").open("a", encoding="utf-8") as events:
        events.write(json.dumps(mark) + "\n")
    running = Editor(profile, session, home)
    try:
        opened(page, running.address)
        expect(page.locator(".map .mark").first).to_be_attached()
        row = page.get_by_role("button", name=re.compile(r"^mark 1.*make it a brake point"))
        row.click()
        expect(page.get_by_label("brake, m", exact=True)).to_have_value(f"{place:g}")
        expect(page.get_by_text("unsaved changes")).to_be_visible()
        page.get_by_role("button", name="undo").click()
        expect(page.get_by_label("brake, m", exact=True)).not_to_have_value(f"{place:g}")
        page.get_by_role("button", name=re.compile(r"^mark 1.*make it a caution")).click()
        expect(page.locator(".caution input").last).to_be_attached()
        page.close()
    finally:
        running.close()
