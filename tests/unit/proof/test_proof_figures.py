"""Figures of README and guide are those the benches wrote: a stale one, a claim that fails, a missing mark fail."""

from __future__ import annotations

import json
import re
from pathlib import Path

import figures
import pytest

DOCUMENTS = ("README.md", "DEVELOPERS.md")


def figures_of(repository: Path, name: str) -> str:
    """The README whole; of the guide the part that holds the figures."""
    text = (repository / name).read_text(encoding="utf-8")
    if name == "README.md":
        return text
    return text[text.index("## Does it make a driver faster?") : text.index("## Limits in detail")]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_marked_figures_are_those_of_the_files(repository: Path, name: str) -> None:
    """Every marked number is the one in the figures file, every marked claim holds by it."""
    text = figures_of(repository, name)
    assert [] == list(figures.stale(text))
    assert figures.FIGURE.search(text)


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_bench_that_writes_its_figures_is_marked(repository: Path, name: str) -> None:
    """A row of a table whose command has a figures file marks its figures."""
    assert [] == list(figures.unmarked(figures_of(repository, name)))


def test_the_readme_is_short(repository: Path) -> None:
    """A newcomer reads at most 1,500 words (marks of figures are none); the rest is in the guide."""
    readme = re.sub(r"<!--.*?-->", "", (repository / "README.md").read_text(encoding="utf-8"))
    assert len(readme.split()) <= 1500


def test_the_claims_of_the_closed_loop_rest_on_its_figures(repository: Path) -> None:
    """Each gap of the guide's table of learners is marked, and so is at least one claim in the words below it."""
    readme = (repository / "DEVELOPERS.md").read_text(encoding="utf-8")
    table, _, below = readme[readme.index("| median of ") :].partition("\n\n")
    words = below.partition("\n#")[0]
    rows = [row for row in table.splitlines()[2:] if "gap" in row or "messages" in row]
    assert rows
    assert all(row.count("figure: closed_loop/") >= 2 for row in rows)
    assert "claim: closed_loop/" in words
    # a study of fewer than 120 drivers says so
    assert 120 <= figures.figure_at("closed_loop/drivers") or "few" in readme[: readme.index(table)][-600:]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A figures file of a bench."""
    figures.write_figures(
        tmp_path / "some_bench.json",
        {"so far": {"gap": 0.3751, "n": 1705, "share": 0.944}, "rows": [{"n": 3}, {"n": 4}]},
    )
    return tmp_path


@pytest.mark.parametrize(
    ("line", "wrong"),
    [
        ("gap 0.38 s <!-- figure: some_bench/so_far/gap .2f -->", ""),
        ("gap .38 s <!-- figure: some_bench/so_far/gap .2f --> of 1,705 <!-- figure: some_bench/so_far/n -->", ""),
        ("4 <!-- figure: some_bench/rows/1/n -->", ""),
        ("94 % <!-- figure: some_bench/so_far/share .0% -->", ""),
        ("gap 0.39 s <!-- figure: some_bench/so_far/gap .2f -->", "0.39 is written, some_bench/so_far/gap is 0.38"),
        ("none <!-- figure: some_bench/so_far/n -->", "no number is written"),
        ("1 <!-- figure: some_bench/so_far/m -->", "no 'm' in some_bench.json; there are gap, n, share"),
        ("1 <!-- figure: other_bench/n -->", "the bench writes it with --write"),
        ("less <!-- claim: some_bench/so_far/gap < 0.4 -->", ""),
        ("more <!-- claim: some_bench/so_far/gap > some_bench/so_far/share -->", "which is not >"),
        ("more <!-- claim: some_bench/so_far/gaps > 1 -->", "no 'gaps'"),
    ],
)
def test_a_stale_figure_is_named(folder: Path, line: str, wrong: str) -> None:
    """The line, what is written there and what the file holds."""
    found = list(figures.stale("\n" + line, folder))
    assert bool(wrong) == bool(found)
    assert all(text.startswith("line 2: ") and wrong in text for text in found)


def test_a_row_of_a_bench_with_a_file_needs_a_mark(folder: Path) -> None:
    """Rows of other commands need none."""
    row = "| gap | 0.38 s | `python tests/tools/some_bench.py` |"
    assert ["line 1: figures of some_bench.py without a mark"] == list(figures.unmarked(row, folder))
    assert [] == list(figures.unmarked(row.replace("some_bench", "another"), folder))


def test_figures_are_written_the_same_twice(tmp_path: Path) -> None:
    """Sorted, rounded, and what is no number is null."""
    for name in ("a", "b"):
        figures.write_figures(tmp_path / f"{name}.json", {"z": (1.0 / 3.0, float("inf")), "a": 1})
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()
    assert {"a": 1, "z": [0.333333, None]} == json.loads((tmp_path / "a.json").read_text())
