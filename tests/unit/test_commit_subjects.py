"""Subjects of commits: a verb first, at most 72 characters. Skipped where there is no repository."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[2]
SINCE: Final = "2026-11-27T01:35:00+00:00"
"""The rule holds for commits from here on."""
LONGEST: Final = 72
NO_VERB: Final = frozenset(
    "A An The This That All Some New No More Every Both In On At With Now Fewer Less One Two".split()
)
VERBS: Final = frozenset("Feed Need Seed Speed Embed Exceed Shed Bring Ring String".split())
"""Imperatives that end like a participle."""


def fault(subject: str) -> str:
    """The fault of a subject; "" if nothing is."""
    if len(subject) > LONGEST:
        return f"{len(subject)} characters, at most {LONGEST}"
    first = subject.split(" ")[0].rstrip(",")
    if (
        not re.fullmatch(r"[A-Z][a-z-]+", first)
        or first in NO_VERB
        or (re.search(r"(ed|ing)$", first) and first not in VERBS)
    ):
        return f"begins with {first!r}, not with a verb in the imperative"
    return ""


def test_subjects_begin_with_a_verb() -> None:
    """Each subject of the repository's history since the rule is short and begins with a verb."""
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("no repository here")
    command = ["git", "log", "--no-merges", f"--since={SINCE}", "--format=%h%x09%s"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    lines = [line.partition("\t") for line in done.stdout.splitlines()]
    assert [] == [f"{sha} {subject}: {wrong}" for sha, _, subject in lines if (wrong := fault(subject))]


@pytest.mark.parametrize(
    ("subject", "wrong"),
    [
        ("Measure the start to the first frame", ""),
        ("Feed the gate columns", ""),
        ("measure the start", "begins with 'measure', not with a verb in the imperative"),
        ("Measured the start", "begins with 'Measured', not with a verb in the imperative"),
        ("Measuring the start", "begins with 'Measuring', not with a verb in the imperative"),
        ("The start is measured", "begins with 'The', not with a verb in the imperative"),
        ("tests: measure the start", "begins with 'tests:', not with a verb in the imperative"),
        ("Measure " + 65 * "x", "73 characters, at most 72"),
    ],
)
def test_planted_subjects(subject: str, wrong: str) -> None:
    """Each planted fault is reported, and a plain subject passes."""
    assert wrong == fault(subject)
