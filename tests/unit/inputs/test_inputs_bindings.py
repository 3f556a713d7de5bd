"""Bindings on disk and in use: one press asks for one thing, a broken file is named, a real car has one button."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.errors import DataError
from coach.inputs.bindings import FUNCTIONS, KEYBOARD, Bindings, Press, load, save
from coach.inputs.process import InputSource, press_of, watch

Coach = Callable[..., tuple[int, str, str]]
presses = st.builds(Press, st.sampled_from(["Wheel A", "Box B"]), st.integers(0, 40)) | st.builds(
    Press, st.just(KEYBOARD), st.just(-1), st.sampled_from(["F9", "space", "KP_1"])
)


@given(st.lists(st.tuples(st.sampled_from(list(FUNCTIONS)), presses), max_size=12))
def test_a_press_asks_for_what_it_was_bound_to_last(steps: list[tuple[str, Press]]) -> None:
    """However often buttons are rebound, each has its last function, and a real car keeps at most one."""
    bindings, last = Bindings(), {}
    for function, press in steps:
        bindings = bindings.bound(function, press)  # type: ignore[arg-type]  # they are functions
        last[press] = function
    assert last == {b.press: b.function for b in bindings.bindings}
    assert all(function == bindings.function(press) for press, function in last.items())
    assert len(bindings.for_real_car().bindings) == min(len(last), 1)
    assert () == bindings.cleared(None).bindings


def test_bindings_live_on_disk(tmp_path: Path) -> None:
    """Saved bindings load again; no file means no binding."""
    file = tmp_path / "deep" / "buttons.json"
    assert Bindings() == load(file)
    bindings = Bindings().bound("mark", Press("Wheel A", 3)).bound("repeat", Press(KEYBOARD, key="F9"))
    assert bindings == load(save(bindings, file))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("{", "truncated"),
        ("[]", "Expected `object`"),
        ('{"schema": 2}', "2"),
        ('{"schema": 1, "bindings": [{"function": "fly", "device": "a"}]}', "'fly'"),
        ('{"schema": 1, "bindings": [{"function": "mark", "device": "a"}]}', "expected a button from 0"),
        ('{"schema": 1, "bindings": [{"function": "mark", "device": "keyboard", "button": 2}]}', "a key's name"),
        ('{"schema": 1, "bindings": [' + ",".join(['{"function":"mark","device":"a","button":1}'] * 65) + "]}", "65"),
    ],
)
def test_a_broken_file_is_named(tmp_path: Path, text: str, found: str) -> None:
    """A file that a person spoilt ends in one line with its path and what was found."""
    file = tmp_path / "buttons.json"
    file.write_text(text)
    with pytest.raises(DataError) as caught:
        load(file)
    assert str(file) in str(caught.value)
    assert found in str(caught.value)


class Script:
    """A source that plays presses and devices, one step a poll."""

    def __init__(self, *steps: tuple[list[Press], list[str]]) -> None:
        self.steps = list(steps)
        self.plugged: list[str] = []

    def poll(self) -> list[Press]:
        pressed, self.plugged = self.steps.pop(0) if self.steps else ([], self.plugged)
        return pressed

    def devices(self) -> list[str]:
        return self.plugged

    def close(self) -> None:
        pass


def played(bindings: Bindings | None, *sources: InputSource, polls: int) -> list[tuple[str, str]]:
    left, said = iter(range(polls)), []
    watch(list(sources), bindings, lambda kind, text: said.append((kind, text)), lambda: next(left, None) is None)
    return said


def test_only_bound_presses_are_reported_and_plugging_is_seen() -> None:
    """Unbound buttons say nothing; devices are reported when they change; to learn, every press is reported."""
    wheel, other = Press("Wheel A", 3), Press("Wheel A", 4)
    steps: list[tuple[list[Press], list[str]]] = [
        ([], []),
        ([wheel, other], ["Wheel A"]),
        ([], []),
        ([wheel], ["Wheel A"]),
    ]
    said = played(Bindings().bound("mark", wheel), Script(*steps), polls=4)
    assert ["[]", '["Wheel A"]', "[]", '["Wheel A"]'] == [text for kind, text in said if kind == "devices"]
    assert ["mark", "mark"] == [text for kind, text in said if kind == "pressed"]
    learnt = played(None, Script(*steps), polls=4)
    assert [wheel, other, wheel] == [press_of(text) for kind, text in learnt if kind == "press"]


def test_the_command_lists_binds_and_clears(coach: Coach, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The list names every function; a function that is none is one line and code 2; what is cleared is gone."""
    monkeypatch.setattr("platformdirs.user_config_dir", lambda app: str(tmp_path))
    save(Bindings().bound("mark", Press("Wheel A", 3)))
    code, out, _ = coach("buttons")
    assert code == 0
    assert all(function in out for function in FUNCTIONS)
    assert "Wheel A, button 3" in out
    assert 2 == coach("buttons", "bind", "fly")[0]
    assert 0 == coach("buttons", "clear", "mark")[0]
    assert Bindings() == load()
