"""Words for the laps without a reference: lap times, the laps still missing, and the news of a reference.

No corner is known yet, so a text waits for a straight: full throttle for a moment, or rising speed without pedals.
"""

from __future__ import annotations

from typing import Final

from coach.core.columns import Columns
from coach.core.cue.arbiter import Arbiter
from coach.core.cue.call_words import lap_words
from coach.core.cue.language import Language
from coach.core.cue.spoken_pieces import split
from coach.core.values import Decision, LapDone

SHORTEST_S, LONGEST_S = 30, 210
"""Whole seconds of the lap times that are rendered: no reference gives the range."""
FULL: Final = 0.9
"""Least throttle on a straight (common practice, no source)."""
CALM_S: Final = 0.5
"""Time of full throttle after which the corner is over (common practice, no source)."""
WAIT_S: Final = 40.0
"""Longest wait of a text before it is old news (common practice, no source)."""


class FirstWords:
    """Holds one text until a straight comes; a later one replaces it. ``texts`` are all pieces it can say."""

    def __init__(self, language: Language, laps: int) -> None:
        self.language = language
        self._arbiter = Arbiter({})
        self._most = laps
        self._wait: tuple[str, float] | None = None
        self._straight_s = 0.0
        self._last = (float("nan"), float("nan"))
        self.missing(laps)

    @property
    def texts(self) -> tuple[str, ...]:
        """Every piece, to be rendered before driving."""
        tenths = [SHORTEST_S + t / 10 for t in range(10)]
        times = [self._time(s) for s in (*range(SHORTEST_S, LONGEST_S + 2), *tenths)]
        words = [*dict(self.language.first_laps).values()]
        counted = [text.replace("{count}", self.language.number(n)) for text in words for n in range(2, self._most + 1)]
        return tuple(dict.fromkeys(piece for text in (*times, *counted) for piece in split(text)))

    def _time(self, time_s: float) -> str:
        # the last one rounds up
        known = SHORTEST_S <= time_s < LONGEST_S + 1
        return lap_words(time_s, time_s, self.language) if known else ""

    def _text(self, key: str, count: int = 0) -> str:
        return dict(self.language.first_laps).get(key, "").replace("{count}", self.language.number(count))

    def _missing(self, laps: int) -> str:
        return self._text("one more" if laps == 1 else "more", laps)

    def missing(self, laps: int, now_s: float = float("inf")) -> None:
        """Say how many laps a reference still needs; without ``now_s`` that never is old news."""
        self._say(self._missing(laps), now_s)

    def over(self, lap: LapDone, laps: int, now_s: float) -> None:
        """Say a lap's time, and how many laps a reference still needs."""
        more = self._missing(laps) if laps else ""
        self._say(", ".join(text for text in (self._time(lap.time_s), more) if text), now_s)

    def _say(self, text: str, now_s: float) -> None:
        self._wait = (text, now_s) if text else None

    def push(self, chunk: Columns, lap: int) -> list[Decision]:
        """Process frames and return what is said now."""
        for t, speed, throttle in zip(chunk["t_s"].tolist(), chunk["speed_mps"].tolist(), chunk["throttle"].tolist(),
                                      strict=True):  # fmt: skip
            before_s, before_mps = self._last
            self._last = t, speed
            on = throttle >= FULL if throttle == throttle else speed > before_mps
            self._straight_s = self._straight_s + t - before_s if on and before_s == before_s else 0.0
        now = self._last[0]
        if self._wait is None or self._straight_s < CALM_S:
            return []
        text, since_s = self._wait
        self._wait = None
        return [self._said(text, now, lap)] if now - since_s <= WAIT_S else []

    def saved(self, now_s: float, lap: int, known: bool) -> Decision | None:
        """Return what is said when there is a reference: the first words of the coaching."""
        text = self._text("known" if known else "saved")
        return self._said(text, now_s, lap) if text else None

    def _said(self, text: str, now_s: float, lap: int) -> Decision:
        ends = now_s + self._arbiter.duration(text)
        return Decision(
            now_s, lap, 0.0, "", "first laps", "spoken", "", text, ends, ends, "call", "lap", False, "line"
        )  # fmt: skip
