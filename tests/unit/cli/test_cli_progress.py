from __future__ import annotations

import pytest

from coach.cli.progress import phrase_progress


def test_where_no_person_looks_one_line_says_what_is_waited_for(capsys: pytest.CaptureFixture[str]) -> None:
    """Rendering is said once on standard error, before it begins; nothing is said where all is there."""
    with phrase_progress() as step:
        step(40, 109)
        told = capsys.readouterr().err
        for done in range(41, 110):
            step(done, 109)
    assert told == "coach: 69 phrases to prepare for the voice, only this once; the run starts in a few seconds\n"
    with phrase_progress() as step:
        step(109, 109)
    captured = capsys.readouterr()
    assert ("", "") == (captured.out, captured.err)
