"""The length of every spoken text with the voice of its language, against the time there is to say it."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.app.voice_choice import voice_for
from coach.core.track.timing import LONGEST_LEAD_S, ROOM_S
from coach.outputs.voice.bank import PhraseBank
from coach.profile.language_file import language_paths, load_language
from coach.profile.rule_files import audit, load_rules
from coach.profile.store import load_plan

NEW_S, REHEARSED_S = 1.25, 0.75
"""A new message and a rehearsed one end this long before their action (Green 2000: unexpected, expected)."""


@pytest.mark.parametrize("name", sorted(language_paths()))
def test_every_text_fits_the_time_there_is(tmp_path: Path, name: str) -> None:
    """A message is said 4-8 s ahead (Wan, Wu & Zhang 2016, J Safety Research 58:89-98) and ends 1.25 s before.

    A short form, which is the rehearsed one, has to fit where there is just room to speak (ROOM_S). Rendered with the
    language's own espeak-ng voice at 160 words a minute; one corner, so that each piece is rendered once.
    """
    corners = [c for c in load_plan("hollow_ridge").corners if c.boards_m][:1]
    rows = [
        row
        for rule_set in ("first_laps", "improving", "race")
        for row in audit(load_rules(rule_set, name), corners)
    ]  # fmt: skip
    bank = PhraseBank(tmp_path, voice=voice_for(load_language(name)))
    seconds = bank.prepare([row.text for row in rows])
    assert "" == bank.problem
    for row in rows:
        most = ROOM_S - REHEARSED_S if row.form in ("short", "alternative") else LONGEST_LEAD_S - NEW_S
        assert 0.2 < seconds[row.text] <= most, (row, seconds[row.text])
