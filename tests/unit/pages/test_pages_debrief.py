from __future__ import annotations

import json
import re
from dataclasses import replace
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from pages_shared import looked

from coach.app.review.debrief_page import debrief_view, share_text, unanswered, write_page
from coach.app.review.lap_traces import MOST_LAPS, choose_laps, lap_traces
from coach.core.unit_system import IMPERIAL, METRIC
from coach.core.values import Decision, LapDone
from coach.errors import SessionError
from coach.pages.debrief import debrief_html
from coach.pages.dots import INSIDE, Dot, Scales, dots_chart, shared_scales
from coach.pages.look import DARK, LIGHT
from coach.pages.render import chart_library, embedded, render, signed
from coach.pages.traces import trace_chart
from coach.pages.track_map import TrackMap

NASTY = "</script><img src=x onerror=alert(1)>"


class Tags(HTMLParser):
    """The start tags of a page, and where it points."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note it."""
        self.tags.append(tag)
        self.links += [v or "" for k, v in attrs if k in ("src", "href", "action", "data")]


def test_delta_trace_ends_at_the_lap_loss() -> None:
    """The trace of time lost begins at nothing and ends, at the line, at the lap's difference to the reference."""
    one = looked()
    traces = lap_traces(one.result, one.setup.reference)
    laps = {lap.lap: lap for lap in one.debrief.laps}
    assert len(traces.laps) >= 3
    for number, channels in traces.laps.items():
        assert 0.0 == pytest.approx(channels["delta"][0], abs=0.02)
        # the last place shown lies up to one step before the line
        assert laps[number].delta_s == pytest.approx(channels["delta"][-1], abs=0.02)


def test_a_corner_that_rested_is_noted_for_the_instructor() -> None:
    """Cues that changed nothing are no silence: the page says where another voice is needed, and only there."""

    def decision(corner: str, outcome: str, reason: str, text: str) -> Decision:
        return Decision(1.0, 1, 0.0, corner, "r", outcome, reason, text, 2.0, 3.0, "correction", "brake_early")  # type: ignore[arg-type]

    heard = [decision("Quarry", "spoken", "", text) for text in ("brake five metres later", "brake later")]
    rests = [decision(corner, "held", "no response so far", "brake later") for corner in ("Quarry", "Weir")]
    other = decision("Beacon", "held", "no room", "brake later")
    assert () == unanswered([*heard, other])
    note = 'Quarry: 2 cues changed nothing, the last was "brake later"; look at it with your instructor'
    assert (note,) == unanswered([*heard, *rests, other])
    one = looked()
    page = debrief_view(one.debrief, one.result, one.setup, [*heard, *rests], "test")
    assert note in page.notes
    assert note in unescape(debrief_html(page))


def test_traces_are_in_the_units_of_the_page() -> None:
    """Distance axis, bands and line offset in feet are the metres divided by 0.3048 (exact by definition)."""
    one = looked()
    metric, imperial = (lap_traces(one.result, one.setup.reference, system) for system in (METRIC, IMPERIAL))
    in_m, in_ft = (trace_chart(traces, one.setup.corners) for traces in (metric, imperial))
    assert "{value} ft" == in_ft["xAxis"][0]["axisLabel"]["formatter"]
    assert in_m["xAxis"][0]["max"] / 0.3048 == pytest.approx(in_ft["xAxis"][0]["max"], abs=0.3)
    band_m, band_ft = (chart["series"][0]["markArea"]["data"][0] for chart in (in_m, in_ft))
    assert band_m[0]["xAxis"] / 0.3048 == pytest.approx(band_ft[0]["xAxis"])
    assert "line offset ft (left +)" in [title["text"] for title in in_ft["title"]]
    lap = min(metric.laps)
    assert metric.laps[lap]["offset"] / 0.3048 == pytest.approx(imperial.laps[lap]["offset"], nan_ok=True)


def test_long_sessions_show_some_laps_with_the_best_among_them() -> None:
    """Of eighty laps at most MOST_LAPS are offered, in order, and the best valid one is there."""
    laps = [
        LapDone(i, 100.0 * i, 90.0 + (i * 7 % 13) + (0.5 if i == 40 else 1.0), 0.0, i % 9 != 0) for i in range(1, 81)
    ]
    chosen = choose_laps(laps)
    numbers = [lap.lap for lap in chosen]
    assert len(numbers) <= MOST_LAPS
    assert sorted(numbers) == numbers
    assert min((lap for lap in laps if lap.valid), key=lambda lap: lap.time_s) in chosen
    assert laps[0] in chosen
    assert laps[-1] in chosen


def test_page_holds_all_it_needs() -> None:
    """No element of the page points outside of it, and every script is allowed by its own hash alone."""
    page = debrief_html(looked().view())
    assert [] == [x for x in Tags(page).links if not x.startswith("#")]
    found = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert found is not None
    policy = unescape(found[1])
    assert "default-src 'none'" in policy
    assert re.fullmatch(r"('sha256-[A-Za-z0-9+/=]{44}' ?){2}", policy.partition("script-src ")[2].partition(";")[0])
    assert "http://" not in re.sub(r"<script>.*?</script>", "", page, flags=re.S).replace("http://www.w3.org", "")


def test_page_shows_the_debrief() -> None:
    """The three costliest places, every corner and every lap of the debrief stand on the page."""
    one = looked()
    page = debrief_html(one.view())
    for gain in one.debrief.gains[:3]:
        assert f"{gain.cost_s:.2f} s per lap" in page
    for corner in one.setup.corners:
        assert f">{corner.name}</a>" in page
    assert len(one.debrief.laps) == page.count("<tr><td>")


def test_hostile_names_stay_text() -> None:
    """Markup in any name or text is escaped, in the page and in the data of its charts."""
    view = looked().view()
    assert view.chart is not None
    chart = {**view.chart, "title": [{"text": NASTY}]}
    gain = replace(view.gains[0], corner=NASTY, what=NASTY)
    page = debrief_html(replace(view, circuit=NASTY, gains=[gain], chart=chart, notes=[NASTY]))
    assert "img" not in Tags(page).tags
    assert NASTY not in page
    found = re.search(r'id="trace-options">(.*?)</script>', page, re.S)
    assert found is not None
    assert NASTY == json.loads(found[1])["title"][0]["text"]


def test_embedded_json_reads_back() -> None:
    """JSON inside a script element cannot end it, and reads back as it was."""
    value = {"a": [NASTY, "\u2028", "<!--", "&amp;"]}
    text = str(embedded(value))
    assert not set("<>&\u2028") & set(text)
    assert value == json.loads(text)


def test_an_unknown_name_in_a_template_is_an_error() -> None:
    """A page is never written with a hole in it."""
    with pytest.raises(Exception, match="undefined"):
        render("debrief.html")


@pytest.mark.parametrize(("value", "text"), [(0.004, "0.00"), (-0.004, "0.00"), (0.126, "+0.13"), (-1.5, "\u22121.50")])
def test_signed_numbers(value: float, text: str) -> None:
    """A sign where there is something to sign, a real minus, no negative zero."""
    assert text == signed(value)


def test_chart_library_is_one_script() -> None:
    """The library stands alone: it can lie inside a script element and leaves its name behind."""
    script = chart_library()
    assert "</script" not in script.lower()
    assert "<!--" not in script
    assert "globalThis.echarts=" in script[-60:]


def _rgb(colour: str) -> tuple[float, ...]:
    return tuple(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ink", ["ink", "quiet", "link", "alarm"])
@pytest.mark.parametrize("ground", ["paper", "ground"])
def test_letters_have_contrast(scheme: dict[str, str], ink: str, ground: str) -> None:
    """WCAG 2.1 SC 1.4.3: letters have a contrast of at least 4.5 to what they stand on, in both schemes."""
    import wcag_contrast_ratio as contrast

    assert contrast.rgb(_rgb(scheme[ink]), _rgb(scheme[ground])) >= 4.5


@pytest.mark.parametrize("mark", ["even", "brake", "throttle"])
def test_marks_have_contrast_in_the_dark(mark: str) -> None:
    """WCAG 2.1 SC 1.4.11: lines of drawings have a contrast of at least 3 to dark paper."""
    import wcag_contrast_ratio as contrast

    assert contrast.rgb(_rgb(DARK[mark]), _rgb(DARK["paper"])) >= 3.0


def test_both_schemes_name_the_same_colours() -> None:
    """A colour that one scheme lacks would stay light in the dark."""
    assert LIGHT.keys() == DARK.keys()


def test_all_corners_share_a_scale_that_scatter_does_not_fill() -> None:
    """Small spread stays small on the scale of the largest; a dot beyond it stands at the edge with its number."""
    calm = [Dot(i, 0.3 * (-1) ** i, 0.1, True, False) for i in range(1, 30)]
    wild = [Dot(i, -16.0, 7.0, True, False) for i in range(1, 20)] + [Dot(20, 300.0, 0.0, False, False)]
    scales = shared_scales([calm, wild])
    assert Scales(20.0, 10.0) == scales
    assert Scales(10.0, 5.0) == shared_scales([calm])
    inside = sum(abs(d.brake or 0.0) <= scales.brake for d in (*calm, *wild))
    assert inside >= INSIDE * (len(calm) + len(wild))
    data = dots_chart(wild, scales)["series"][0]["data"]
    assert [20, 20.0] == data[-1]["value"]
    assert "+300" == data[-1]["label"]["formatter"]


@pytest.mark.parametrize(
    ("cost_s", "lost_s", "says"),
    [
        (0.43, 0.43, "all of the corner's loss in the table (+0.43 s per lap)"),
        (0.20, 0.43, "part of the corner's loss in the table (+0.43 s per lap)"),
        (0.68, 0.60, "more than the corner's loss in the table (+0.60 s per lap)"),
        (0.10, None, "no valid lap"),
    ],
)
def test_a_card_says_how_its_number_goes_with_the_table(cost_s: float, lost_s: float | None, says: str) -> None:
    """Equal, smaller or larger than the corner's loss: the card repeats the table's number and says why."""
    assert says in share_text(cost_s, lost_s)


def test_map_arrow_points_along_the_lap() -> None:
    """The arrow's tip lies farther along the lap than its notch."""
    setup = looked().setup
    track = TrackMap(setup.reference, setup.corners)
    tip, _, notch, _ = (tuple(map(float, xy.split(","))) for xy in track.arrow().split())
    along = track.direction(45.0)
    assert (tip[0] - notch[0]) * along[0] + (tip[1] - notch[1]) * along[1] > 0.0


def test_map_keeps_directions() -> None:
    """The picture may be turned but never mirrored: a right-hander bends to the right on it too."""
    setup = looked().setup
    track = TrackMap(setup.reference, setup.corners)
    for corner in setup.corners:
        x, y = track.xy(np.array([corner.apex_m - 8.0, corner.apex_m, corner.apex_m + 8.0]))
        cross = (x[1] - x[0]) * (y[2] - y[1]) - (y[1] - y[0]) * (x[2] - x[1])
        # y grows downward: a positive cross product turns clockwise
        assert ("right" if cross > 0 else "left") == corner.direction


def test_map_colours_where_time_goes() -> None:
    """Half a second lost over one stretch is drawn as lost there, wider than even, and nowhere else."""
    setup = looked().setup
    track = TrackMap(setup.reference, setup.corners)
    s = np.arange(0.0, setup.reference.length_m, 2.0)
    pieces = track.pieces(s, np.interp(s, [1000.0, 1200.0], [0.0, 0.5]))
    lost = [i for i, p in enumerate(pieces) if p.kind == "lost"]
    per_piece = setup.reference.length_m / len(pieces)
    assert 1000.0 - 2 * per_piece <= lost[0] * per_piece
    assert (lost[-1] + 1) * per_piece <= 1200.0 + 2 * per_piece
    assert list(range(lost[0], lost[-1] + 1)) == lost
    assert min(pieces[i].width for i in lost) > max(p.width for p in pieces if p.kind == "even")


def test_page_is_written_whole_or_not(tmp_path: Path) -> None:
    """A page that cannot be written is one clear error naming it."""
    target = tmp_path / "missing" / "page.html"
    with pytest.raises(SessionError, match="cannot be written"):
        write_page(target, "x")
    write_page(tmp_path / "page.html", "x")
    assert ["page.html"] == [p.name for p in tmp_path.iterdir()]
