from __future__ import annotations

import math
from itertools import combinations

import msgspec
import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.values import LapDone, View
from coach.errors import OutputError
from coach.outputs.overlay.colours import GAINED, LOST
from coach.outputs.overlay.layout import CAPTION_S, LAP_S, Caption, Scene, caption_share, lay_out
from coach.outputs.overlay.legible import SIZE_NAMES, size_of
from coach.outputs.overlay.paint import FINER, _font, box_of, changed, measure, paint, picture, text_surface
from coach.outputs.overlay.texts import (
    KEYS,
    UNLOCK,
    WORDS,
    Item,
    Mode,
    Rect,
    Shape,
    TextLabel,
    countdown_text,
    delta_text,
    mode_of,
)

LIVE = View(t_s=1.0, state="live", lap=2, delta_s=-0.24, next_corner="Kettle", to_brake_m=140.0)
STATES: dict[Mode, tuple[View | None, bool]] = {
    "ready": (None, True),
    "untimed": (msgspec.structs.replace(LIVE, delta_s=math.nan), True),
    "live": (LIVE, True),
    "lost": (View(t_s=1.0, state="lost"), True),
    "no_feed": (View(t_s=1.0, state="waiting"), True),
    "pit": (View(t_s=1.0, state="pit"), True),
}

views = st.builds(
    View,
    t_s=st.floats(0, 1e4),
    state=st.sampled_from(["waiting", "live", "lost", "pit"]),
    delta_s=st.one_of(st.just(math.nan), st.just(math.inf), st.floats(-2000, 2000)),
    next_corner=st.one_of(st.just(""), st.text(min_size=1, max_size=40, alphabet=st.characters(codec="latin-1"))),
    to_brake_m=st.one_of(st.just(math.nan), st.floats(-500, 30000)),
    condition=st.sampled_from(
        ["", "grip is down, no pace cues", "a very long line on what the track does to us today"]
    ),
    status=st.sampled_from(["", "no data", "the feed has no brake signal, brake cues are off until it comes back"]),
)
laps = st.one_of(
    st.none(),
    st.builds(
        LapDone,
        lap=st.integers(0, 999),
        t_s=st.just(0.0),
        time_s=st.floats(1.0, 5000.0),
        delta_s=st.one_of(st.just(math.nan), st.floats(-900, 900)),
        valid=st.booleans(),
        why_invalid=st.sampled_from(["", "off the track at Kettle"]),
    ),
)
captions = st.one_of(
    st.none(), st.builds(Caption, text=st.text(max_size=90, alphabet="abcdefg WMgj,"), age_s=st.floats(0, 20))
)
scenes = st.builds(
    Scene, view=st.one_of(st.none(), views), caption=captions, lap=laps, lap_age_s=st.floats(0, 20),
    fresh=st.booleans(), keys=st.booleans(), hidden=st.booleans(),
)  # fmt: skip


def labels(items: tuple[Item, ...]) -> list[TextLabel]:
    return [i for i in items if isinstance(i, TextLabel)]


@settings(max_examples=150)
@given(scenes, st.sampled_from(SIZE_NAMES), st.sampled_from([1.0, 1.25, 2.0]))
def test_nothing_is_clipped_and_no_texts_overlap(scene: Scene, name: str, scale: float) -> None:
    """In the real font, at every size and scale, every item lies inside the window and no two texts touch."""
    drawing = lay_out(scene, size_of(name, scale), measure)
    window = pygame.Rect(0, 0, drawing.width, drawing.height)
    for item in drawing.items:
        if isinstance(item, TextLabel):
            assert measure(item.text, item.cap) == item.box[2:]
        if not isinstance(item, TextLabel) or item.box[2]:
            assert window.contains(box_of(item)), item
    texts = [pygame.Rect(i.box) for i in labels(drawing.items) if i.text != "?" and i.text != "P"]
    # two lines of text may share the empty pixels between a descender and the next line's box
    for a, b in combinations(texts, 2):
        common = a.clip(b)
        assert min(common.width, common.height) <= 2, (a, b)


@settings(max_examples=60)
@given(scenes, st.sampled_from(SIZE_NAMES))
def test_no_empty_half(scene: Scene, name: str) -> None:
    """The window ends one margin and a half, or the lower part of a letter's box, under the last item."""
    size = size_of(name)
    drawing = lay_out(scene, size, measure)
    lowest = max(box_of(i).bottom for i in drawing.items)
    assert drawing.height - lowest <= 1.5 * size.margin + 1


@settings(max_examples=60)
@given(scenes, scenes, st.sampled_from(SIZE_NAMES))
def test_painting_what_changed_gives_the_whole_picture(scene1: Scene, scene2: Scene, name: str) -> None:
    """Repainting only the changed boxes gives, pixel for pixel, what painting everything gives."""
    size = size_of(name)
    before, after = lay_out(scene1, size, measure), lay_out(scene2, size, measure)
    room = (max(before.width, after.width), max(before.height, after.height))
    step, whole = pygame.Surface(room), pygame.Surface(room)
    paint(step, before.items)
    boxes = changed(before.items, after.items)
    if boxes:
        paint(step, after.items, boxes[0].unionall(boxes[1:]))
    paint(whole, after.items)
    assert pygame.image.tobytes(whole, "RGB") == pygame.image.tobytes(step, "RGB")


def test_states_are_told_apart_by_word_and_by_shape() -> None:
    """Six states, six pictures: those without a number differ in their word and in their shape."""
    assert len(WORDS) == len(set(WORDS.values()))
    size = size_of("small")
    forms = {}
    for mode, (view, fresh) in STATES.items():
        assert mode == mode_of(view, fresh)
        items = lay_out(Scene(view, fresh=fresh), size, measure).items
        if mode != "live":
            assert WORDS[mode] in [i.text for i in labels(items)]
        # the sign stands at the place of the number; letters and colours are left out
        forms[mode] = tuple(
            i.points if isinstance(i, Shape) else i.box
            for i in items
            if isinstance(i, Shape | Rect)
            and box_of(i).top < size.margin + size.number_cap
            and box_of(i).width < 3 * size.number_cap
        )
    assert len(STATES) == len(set(forms.values()))
    assert all(forms.values())


def test_views_that_stop_coming_are_no_feed() -> None:
    """A live view that is old is shown as no data, never as a number that stands still."""
    assert "no_feed" == mode_of(LIVE, fresh=False)
    texts = [i.text for i in labels(lay_out(Scene(LIVE, fresh=False), size_of("small"), measure).items)]
    assert ["no data"] == texts


@pytest.mark.parametrize(
    ("delta_s", "text"),
    [
        (0.24, "+0.24"),
        (-0.24, "−0.24"),
        (0.004, "0.00"),
        (-0.004, "0.00"),
        (9.99, "+9.99"),
        (9.996, "+10.0"),
        (250.0, "+99.9"),
    ],
)
def test_number_has_a_sign_and_stays_short(delta_s: float, text: str) -> None:
    """Plus is slower, minus is faster, nothing is neither; never more than five characters."""
    assert text == delta_text(delta_s)
    assert len(text) <= 5


@pytest.mark.parametrize(
    ("to_brake_m", "text"),
    [(140.0, "140 m"), (131.0, "140 m"), (3.0, "10 m"), (0.0, ""), (-5.0, ""), (math.nan, "")],
)
def test_countdown_in_steps_of_ten(to_brake_m: float, text: str) -> None:
    """Never less than the metres that are left would round up to, gone at the brake point."""
    assert text == countdown_text(to_brake_m)


@pytest.mark.parametrize(("system", "text"), [("metric", "140 m"), ("imperial", "450 ft"), ("yards", "150 yd")])
def test_distance_is_in_the_units_of_the_run(system: str, text: str) -> None:
    """The overlay shows 135 m, 443 ft or 148 yd, (1 ft is 0.3048 m, 1 yd 0.9144 m) rounded up to the step."""
    view = msgspec.structs.replace(LIVE, to_brake_m=135.0, next_corner="Kettle", units=system)
    assert text in [label.text for label in labels(lay_out(Scene(view), size_of("small"), measure).items)]


def bar(delta_s: float) -> Rect | None:
    items = lay_out(Scene(msgspec.structs.replace(LIVE, delta_s=delta_s)), size_of("small"), measure).items
    return next((i for i in items if isinstance(i, Rect) and i.colour in (GAINED, LOST)), None)


def test_bar_grows_right_when_gained_and_left_when_lost() -> None:
    """Sky blue right of the middle for time gained, orange left of it for time lost, as long as the difference."""
    middle = size_of("small").width // 2
    gained, lost, more = bar(-0.4), bar(0.4), bar(0.8)
    assert gained is not None
    assert lost is not None
    assert more is not None
    assert (GAINED, middle) == (gained.colour, gained.box[0])
    assert (LOST, middle) == (lost.colour, lost.box[0] + lost.box[2])
    assert gained.box[2] == lost.box[2]
    assert 2 * lost.box[2] == pytest.approx(more.box[2], abs=1)
    assert bar(0.0) is None
    full, beyond = bar(1.0), bar(50.0)
    assert full is not None
    assert beyond is not None
    assert full.box == beyond.box


def test_caption_fades_in_few_steps_and_goes() -> None:
    """Full for four seconds, then eight steps in one second, then gone."""
    assert 1.0 == caption_share(Caption("late apex", CAPTION_S - 1.0))
    shares = {caption_share(Caption("late apex", CAPTION_S - 1 + i / 100)) for i in range(101)}
    assert {i / 8 for i in range(9)} == shares
    assert 0.0 == caption_share(None)


def test_a_still_state_needs_no_repaint() -> None:
    """A car that moves two metres, and a caption that grows older, change nothing on the screen."""
    size = size_of("small")
    one = lay_out(Scene(LIVE, Caption("late apex", 1.0)), size, measure).items
    two = lay_out(
        Scene(msgspec.structs.replace(LIVE, to_brake_m=138.0, t_s=1.1), Caption("late apex", 1.1)), size, measure
    ).items
    assert [] == changed(one, two)


def test_a_reminder_of_four_parts_fits() -> None:
    """The longest phrase that is spoken is shown whole at every size."""
    text = "turn three, brake at the hundred, second gear, late apex"
    for name in SIZE_NAMES:
        shown = [i.text for i in labels(lay_out(Scene(LIVE, Caption(text, 0.0)), size_of(name), measure).items)]
        assert text == " ".join(shown[3:])


def test_the_cue_is_the_largest_text_and_the_number_next() -> None:
    """Cue, then number, then corner, distance and the other lines, at every size."""
    view = msgspec.structs.replace(LIVE, condition="grip is down, no pace cues")
    for name in SIZE_NAMES:
        items = labels(lay_out(Scene(view, Caption("brake later", 0.0)), size_of(name), measure).items)
        caps = {i.text: i.cap for i in items}
        assert caps["brake later"] > caps[delta_text(LIVE.delta_s)] > caps["Kettle"]
        assert caps["Kettle"] == caps["140 m"] == caps["grip is down, no pace cues"]


def test_lap_time_and_difference_stay_for_some_seconds() -> None:
    """After the line the lap's number, time and difference are there, then gone; an invalid lap says why."""
    size = size_of("small")
    lap = LapDone(3, 1.0, 92.413, -0.24, True)
    shown = [i.text for i in labels(lay_out(Scene(LIVE, lap=lap, lap_age_s=1.0), size, measure).items)]
    assert "lap 3 1:32.41 \u22120.24" in shown
    later = [i.text for i in labels(lay_out(Scene(LIVE, lap=lap, lap_age_s=LAP_S + 0.1), size, measure).items)]
    assert not [t for t in later if t.startswith("lap 3")]
    bad = msgspec.structs.replace(lap, valid=False, why_invalid="off the track")
    shown = [i.text for i in labels(lay_out(Scene(LIVE, lap=bad, lap_age_s=1.0), size, measure).items)]
    assert "does not count: off the track" in shown


def test_lines_on_track_and_data_are_shown_once() -> None:
    """Condition and status have a line each; a status that says the same as the state's word is not repeated."""
    size = size_of("small")
    view = msgspec.structs.replace(LIVE, condition="grip is down", status="no brake signal")
    texts = [i.text for i in labels(lay_out(Scene(view), size, measure).items)]
    assert {"grip is down", "no brake signal"} <= set(texts)
    waiting = View(t_s=1.0, state="waiting", status="no data")
    assert ["no data"] == [i.text for i in labels(lay_out(Scene(waiting), size, measure).items)]


def test_all_keys_are_listed_and_hidden_names_its_key() -> None:
    """The list shows every key and how to unlock; the hidden overlay says which key brings it back."""
    texts = " ".join(i.text for i in labels(lay_out(Scene(LIVE, keys=True), size_of("small"), measure).items))
    for key, effect in (*KEYS, ("", UNLOCK)):
        assert key in texts
        assert effect in texts
    hidden = labels(lay_out(Scene(LIVE, hidden=True), size_of("small"), measure).items)
    assert 1 == len(hidden)
    assert "Esc" in hidden[0].text


@pytest.mark.parametrize("name", SIZE_NAMES)
@pytest.mark.parametrize("text", ["in the pits", "brake later", "hit the brakes harder"])
def test_letters_are_spaced_evenly(name: str, text: str) -> None:
    """At the size shown every letter's left edge lies within 0.6 pixels of where the font's own widths put it.

    Measured on the rendered pixels: the ink of the text up to each letter, against the same text at 8 times the size.
    """
    cap = size_of(name).cue_cap
    fine = _font(cap)
    for i in range(1, len(text) + 1):
        if text[i - 1] == " ":
            continue
        ink = text_surface(text[:i], cap, (255, 255, 255)).get_bounding_rect(min_alpha=100)
        ideal = fine.render(text[:i], True, "white").get_bounding_rect(min_alpha=100)
        assert ink.right == pytest.approx(ideal.right / FINER, abs=0.8), text[:i]


def test_sizes_and_scales_that_are_not_allowed() -> None:
    """A wrong size or scale is one clear line."""
    with pytest.raises(OutputError, match="overlay size: expected small, medium, large, found 'huge'"):
        size_of("huge")
    with pytest.raises(OutputError, match=r"overlay scale: expected 0.5 to 4, found 9"):
        size_of("small", 9)


def test_control_characters_do_not_break_the_picture() -> None:
    """A corner or a cue with characters that no font has is shown without them."""
    view = msgspec.structs.replace(LIVE, next_corner="Ket\x00tle\n")
    size = size_of("small")
    items, *room = lay_out(Scene(view, Caption("late\tapex\x07", 0.0)), size, measure)
    paint(pygame.Surface(room), items)
    assert {"Ket tle", "late apex"} <= {i.text for i in labels(items)}


def test_picture_needs_no_display() -> None:
    """The picture for tests and documents has the size of the window and is not empty."""
    surface = picture(Scene(LIVE, Caption("late apex", 0.0)), "large")
    assert size_of("large").width == surface.get_width()
    assert 3 < len({tuple(surface.get_at((x, y))) for x in range(0, 600, 3) for y in range(0, surface.get_height(), 3)})
