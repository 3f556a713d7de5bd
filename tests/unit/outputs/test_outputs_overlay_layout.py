from __future__ import annotations

import math
from itertools import combinations

import msgspec
import pygame
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.core.values import View
from coach.errors import OutputError
from coach.outputs.overlay.colours import GAINED, LOST
from coach.outputs.overlay.layout import CAPTION_S, Caption, Item, Label, Rect, Shape, caption_share, lay_out
from coach.outputs.overlay.legible import SIZE_NAMES, size_of
from coach.outputs.overlay.paint import box_of, changed, measure, paint, picture
from coach.outputs.overlay.texts import WORDS, Mode, countdown_text, delta_text, mode_of

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
)
captions = st.one_of(
    st.none(), st.builds(Caption, text=st.text(max_size=90, alphabet="abcdefg WMgj,"), age_s=st.floats(0, 20))
)


def labels(items: tuple[Item, ...]) -> list[Label]:
    return [i for i in items if isinstance(i, Label)]


@settings(max_examples=150)
@given(views, captions, st.sampled_from(SIZE_NAMES), st.sampled_from([1.0, 1.25, 2.0]))
def test_nothing_is_clipped_and_no_texts_overlap(view: View, caption: Caption | None, name: str, scale: float) -> None:
    """In the real font, at every size and scale, every item lies inside the window and no two texts touch."""
    size = size_of(name, scale)
    items = lay_out(view, caption, size, measure)
    window = pygame.Rect(0, 0, size.width, size.height)
    for item in items:
        if isinstance(item, Label) and item.box[2]:
            assert measure(item.text, item.cap) == item.box[2:]
            assert window.contains(pygame.Rect(item.box)), item
        elif isinstance(item, Rect):
            assert window.contains(pygame.Rect(item.box).clip(window)), item
    texts = [pygame.Rect(i.box) for i in labels(items) if i.text != "?" and i.text != "P"]
    # two lines of text may share the empty pixels between a descender and the next line's box
    for a, b in combinations(texts, 2):
        common = a.clip(b)
        assert min(common.width, common.height) <= 2, (a, b)


@settings(max_examples=60)
@given(views, captions, views, captions, st.sampled_from(SIZE_NAMES))
def test_painting_what_changed_gives_the_whole_picture(
    view1: View, caption1: Caption | None, view2: View, caption2: Caption | None, name: str
) -> None:
    """Repainting only the changed boxes gives, pixel for pixel, what painting everything gives."""
    size = size_of(name)
    before, after = lay_out(view1, caption1, size, measure), lay_out(view2, caption2, size, measure)
    step, whole = pygame.Surface((size.width, size.height)), pygame.Surface((size.width, size.height))
    paint(step, before)
    boxes = changed(before, after)
    if boxes:
        paint(step, after, boxes[0].unionall(boxes[1:]))
    paint(whole, after)
    assert pygame.image.tobytes(whole, "RGB") == pygame.image.tobytes(step, "RGB")


def test_states_are_told_apart_by_word_and_by_shape() -> None:
    """Six states, six pictures: those without a number differ in their word and in their shape."""
    assert len(WORDS) == len(set(WORDS.values()))
    size = size_of("small")
    forms = {}
    for mode, (view, fresh) in STATES.items():
        assert mode == mode_of(view, fresh)
        items = lay_out(view, None, size, measure, fresh)
        if mode != "live":
            assert WORDS[mode] in [i.text for i in labels(items)]
        # the sign is what lies beside the bar at the height of the number, letters and colours left out
        forms[mode] = tuple(
            i.points if isinstance(i, Shape) else i.box
            for i in items
            if isinstance(i, Shape | Rect) and box_of(i).left > size.margin + size.bar and box_of(i).top < 60
        )
    assert len(STATES) == len(set(forms.values()))
    assert all(forms.values())


def test_views_that_stop_coming_are_no_feed() -> None:
    """A live view that is old is shown as no feed, never as a number that stands still."""
    assert "no_feed" == mode_of(LIVE, fresh=False)
    texts = [i.text for i in labels(lay_out(LIVE, None, size_of("small"), measure, fresh=False))]
    assert ["no feed"] == texts


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


def bar(delta_s: float) -> Rect | None:
    items = lay_out(msgspec.structs.replace(LIVE, delta_s=delta_s), None, size_of("small"), measure)
    return next((i for i in items if isinstance(i, Rect) and i.colour in (GAINED, LOST)), None)


def test_bar_grows_up_when_gained_and_down_when_lost() -> None:
    """Sky blue above the middle for time gained, orange below it for time lost, as long as the difference."""
    size = size_of("small")
    middle = size.margin + (size.height - 2 * size.margin) // 2
    gained, lost, more = bar(-0.4), bar(0.4), bar(0.8)
    assert gained is not None
    assert lost is not None
    assert more is not None
    assert (GAINED, middle) == (gained.colour, gained.box[1] + gained.box[3])
    assert (LOST, middle) == (lost.colour, lost.box[1])
    assert gained.box[3] == lost.box[3]
    assert 2 * lost.box[3] == pytest.approx(more.box[3], abs=1)
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
    one = lay_out(LIVE, Caption("late apex", 1.0), size, measure)
    two = lay_out(msgspec.structs.replace(LIVE, to_brake_m=138.0, t_s=1.1), Caption("late apex", 1.1), size, measure)
    assert [] == changed(one, two)


def test_a_reminder_of_four_parts_fits() -> None:
    """The longest phrase that is spoken is shown whole at every size."""
    text = "turn three, brake at the hundred, second gear, late apex"
    for name in SIZE_NAMES:
        shown = [i.text for i in labels(lay_out(LIVE, Caption(text, 0.0), size_of(name), measure))]
        assert text == " ".join(shown[3:])


def test_sizes_and_scales_that_are_not_allowed() -> None:
    """A wrong size or scale is one clear line."""
    with pytest.raises(OutputError, match="overlay size 'huge': allowed are small, medium, large"):
        size_of("huge")
    with pytest.raises(OutputError, match=r"overlay scale 9: allowed is 0.5 to 4"):
        size_of("small", 9)


def test_control_characters_do_not_break_the_picture() -> None:
    """A corner or a cue with characters that no font has is shown without them."""
    view = msgspec.structs.replace(LIVE, next_corner="Ket\x00tle\n")
    size = size_of("small")
    items = lay_out(view, Caption("late\tapex\x07", 0.0), size, measure)
    paint(pygame.Surface((size.width, size.height)), items)
    assert {"Ket tle", "late apex"} <= {i.text for i in labels(items)}


def test_picture_needs_no_display() -> None:
    """The picture for tests and documents has the size of the window and is not empty."""
    surface = picture(LIVE, Caption("late apex", 0.0), "large")
    assert size_of("large")[:2] == surface.get_size()
    assert 3 < len({tuple(surface.get_at((x, y))) for x in range(0, 600, 3) for y in range(0, 300, 3)})
