from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from coach.cli.root import COMMANDS, make_app, run
from coach.cli.usage import ORDER
from coach.outputs.overlay import settings as overlay_settings
from coach.outputs.overlay.settings import Settings, load, save
from coach.outputs.overlay.texts import KEYS


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The settings file, in a folder of this test's own."""
    path = tmp_path / "overlay.json"
    monkeypatch.setattr(overlay_settings, "settings_path", lambda: path)
    return path


def told(*arguments: str) -> str:
    """Return the output of the command line."""
    done = CliRunner().invoke(make_app(arguments[0] if arguments[0] in COMMANDS else None), list(arguments))
    assert not done.exception or isinstance(done.exception, SystemExit), done.exception
    return done.output


@pytest.mark.parametrize(
    ("settings", "arguments", "after"),
    [
        (Settings(click_through=True), ("--unlock",), Settings()),
        (Settings(hidden=True), ("--show",), Settings()),
        (Settings(x=5, y=9), ("--at", "top"), Settings()),
        (Settings(), ("--at", "40,60"), Settings(x=40, y=60)),
        (Settings(size="large"), ("--size", "small"), Settings(size="small")),
        (Settings(opacity=0.3), ("--opacity", "1"), Settings(opacity=1.0)),
        (Settings(scale=2.0), ("--scale", "0"), Settings()),
        (Settings(x=1, y=1, size="large", opacity=0.3, click_through=True, hidden=True), ("--reset",), Settings()),
        (Settings(), ("--lock", "--hide"), Settings(click_through=True, hidden=True)),
    ],
)
def test_every_state_can_be_set_and_undone(
    file: Path, settings: Settings, arguments: tuple[str, ...], after: Settings
) -> None:
    """Each option writes its setting and leaves the others."""
    save(settings, file)
    told("overlay", *arguments)
    assert after == load(file)


def test_without_options_it_tells_settings_and_keys(file: Path) -> None:
    """It writes nothing, and names each key with its effect."""
    text = " ".join(told("overlay").split())
    assert "overlay: medium, top centre, opacity 0.9, unlocked, shown" in text
    for key, effect in KEYS:
        assert f"{key}: {effect}" in text
    assert not file.exists()
    assert "medium" == json.loads(told("overlay", "--json"))["size"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--at", "middle"), "expected X,Y in pixels, or top; found 'middle'"),
        (("--size", "huge"), "expected small, medium, large"),
    ],
)
def test_wrong_settings_are_one_line(
    file: Path, arguments: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """The option, the values expected and the one found; code 2, nothing written."""
    with pytest.raises(SystemExit) as end:
        run(["overlay", *arguments])
    assert 2 == end.value.code
    assert says in capsys.readouterr().err
    assert not file.exists()


def test_help_names_the_keys(file: Path) -> None:
    """The keys stand in the command's help."""
    text = told("overlay", "--help")
    for key in ("arrows", "Esc", "H lists", "L locks", "1 2 3"):
        assert key in text


def test_help_is_grouped_by_the_drivers_day() -> None:
    """Each command stands under one heading, the headings in the order of the day, every line whole at 80 columns."""
    done = CliRunner().invoke(make_app(), ["--help"], env={"COLUMNS": "80"})
    lines = done.output.splitlines()
    places = [lines.index(f"{heading}:") for heading in ORDER]
    assert sorted(places) == places
    shown = [line.split()[0] for line in lines[places[0] :] if line.startswith("  ")]
    assert list(COMMANDS) == shown
    assert not [line for line in lines if line.startswith("  ") and line.endswith("...")]
