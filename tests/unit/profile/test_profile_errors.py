"""Every way a profile can be wrong, with the line it is reported at."""

from __future__ import annotations

from pathlib import Path

import pytest
from profile_examples import PROFILE, RULES

from coach.errors import DataError, ProfileError
from coach.profile.store import load_plan, read_profile
from coach.profile.yaml_file import MAX_BYTES


def line_with(text: str, part: str) -> int:
    return next(i for i, line in enumerate(text.split("\n"), 1) if part in line)


def read(folder: Path, text: str | bytes) -> None:
    path = folder / "profile.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    read_profile(path)


# what is replaced, by what, where it is reported (a piece of the new text), field, found, allowed
CASES = [
    ("direction: left", "direction: lft", "lft", "corners[Ochre].direction", "'lft'", "'left' or 'right'"),
    ("gear: 2", "gear: two", "gear: two", "corners[Ochre].gear", "'two'", "a whole number"),
    ("gear: 2", "gear: 2.5", "gear: 2.5", "corners[Ochre].gear", "2.5", "a whole number"),
    ("gear: 2", "gear: yes", "gear: yes", "corners[Ochre].gear", "'yes'", "a whole number"),
    ("gear: 2", "gear: true", "gear: true", "corners[Ochre].gear", "True", "a whole number"),
    ("gear: 2", "gear: 9", "gear: 9", "corners[Ochre].gear", "9", "at most 8"),
    ("apex_m: 230.0", "apex_m: '230'", "apex_m: '230'", "corners[Ochre].apex_m", "'230'", "a number"),
    ("apex_m: 230.0", "apex_m: .nan", "apex_m: .nan", "corners[Ochre].apex_m", "nan", "a finite number"),
    ("apex_m: 230.0", "apex_m: -1", "apex_m: -1", "corners[Ochre].apex_m", "-1", "at least 0"),
    ("apex_m: 230.0", "apex_m: [1]", "apex_m: [1]", "corners[Ochre].apex_m", "a list of 1", "a number"),
    ("      apex_m: 530\n", "", "name: Umber", "corners[Umber].apex_m", "nothing", "a value"),
    ("pronounce:", "pronounse:", "pronounse", "pronounse", "an unknown field", "pronounce (did you mean that?)"),
    ("boards:", "bords:", "bords:", "corners[Ochre].bords", "an unknown field", "boards (did you mean"),
    ("{apex: use,", "{apx: use,", "{apx", "corners[Ochre].kerbs.apx", "an unknown field", "apex (did you"),
    ("apex: use", "apex: hop", "hop", "corners[Ochre].kerbs.apex", "'hop'", "'use', 'touch' or 'avoid'"),
    ("kind: bump", "kind: hole", "hole", "corners[Ochre].cautions[1].kind", "'hole'", "'bump', 'crest'"),
    ("schema: 1", "schema: 2", "schema: 2", "schema", "2", "1"),
    ("length_m: 1000.0", "length_m: 0", "length_m: 0", "length_m", "0", "more than 0"),
    ("turn_in_m: 200.0", "turn_in_m: 99", "turn_in_m: 99", "corners[Ochre].turn_in_m", "99", "100 (brake_m)"),
    ("end_m: 290", "end_m: 240", "end_m: 240", "corners[Ochre].end_m", "240", "260 (exit_m) or more"),
    ("exit: avoid}", "exit: avoid, apex_m: [240, 230]}", "[240", "corners[Ochre].kerbs.apex_m",
     "[240, 230]", "begin before end"),
    ("exit: avoid}", "exit: avoid, apex_m: [230, 990]}", "[230", "corners[Ochre].kerbs.apex_m",
     "[230, 990]", "near the corner"),
    ("exit: avoid}", "exit: avoid, apex_m: [230]}", "[230", "corners[Ochre].kerbs.apex_m", "a list of 1", "at least 2"),
    ("[150,100, 50]", "[150,50, 100]", "[150,50", "corners[Ochre].boards[3]", "100 after 50", "far to near"),
    ("latest_brake_m: 105", "latest_brake_m: 95", "latest_brake_m", "corners[Ochre].limits.latest_brake_m",
     "95", "100 (brake_m) to 230"),
    ("name: Umber", "name: ochre", "name: ochre", "corners[ochre].name", "'ochre' twice", "each name once"),
    ("turn_in_m: 500", "turn_in_m: 280", "turn_in_m: 280", "corners[Umber].turn_in_m", "280", "290 (end_m of"),
    ("end_m: 600", "end_m: 1200", "end_m: 1200", "corners[Umber].end_m", "1200", "at most 1100"),
    ("length_m: 1000.0", "length_m: 500", "turn_in_m: 500", "corners[Umber].turn_in_m", "500", "less than 500"),
    ("brake_soft, gear", "brake_soft, geer", "geer", "corners[Ochre].mute[2]", "'geer'", "brake_early"),
    ("at_m: 190", "at_m: 1500", "1500", "corners[Ochre].cautions[1].at_m", "1500", "at most 1000"),
    ("release slowly", "brake later then turn in early and use second gear", "second gear",
     "corners[Ochre].words[1]", "'brake later", "at most 4 units of information"),
    ("release slowly", "{gear} gear", "{gear}", "corners[Ochre].words[1]", "'{gear} gear'", "without { or }"),
    ("bump on entry", "'!'", "'!'", "corners[Ochre].cautions[1].words", "'!'", "can be spoken"),
    ("length_m: 1000.0", "length_m: 1000.0\nreference: ../x.arrow", "../x", "reference", "'../x.arrow'",
     "a plain file name"),
    ("Ochre: oaker", "Ochre: 3", "Ochre: 3", "pronounce.Ochre", "3", "text"),
    ("Ochre: oaker", "3: three", "3: three", "pronounce.3", "3", "text"),
    ("gear: 2", "gear: 2\n      gear: 3", "gear: 3", "", 'duplicate key "gear"', "YAML 1.2"),
    ("gear: 2", "gear: !!int x", "!!int x", "", "invalid literal", "YAML 1.2"),
    ("gear: 2", "gear: 2020-99-99", "2020-99-99", "", "month must be", "YAML 1.2"),
    ("gear: 2", "gear: !tag 2", "!tag", "corners[Ochre].gear", "the tag !tag", "without tags"),
    ("gear: 2", "gear: *no", "*no", "", "undefined alias", "YAML 1.2"),
    ("gear: 2", "gear: \x07", "gear: \x07", "", "'\\x07'", "printable text"),
    ("gear: 2", "gear: 2: 3", "gear: 2: 3", "", "mapping values are not allowed", "YAML 1.2"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "at", "field", "found", "allowed"), CASES)
def test_each_error_names_file_line_field_found_and_allowed(
    tmp_path: Path, old: str, new: str, at: str, field: str, found: str, allowed: str
) -> None:
    """One wrong thing gives one line: path:line, the field, what was found, what is allowed."""
    assert 1 <= PROFILE.count(old)
    text = PROFILE.replace(old, new, 1)
    with pytest.raises(ProfileError) as caught:
        read(tmp_path, text)
    message = str(caught.value)
    path = tmp_path / "profile.yaml"
    assert f"{path}:{line_with(text, at)}" == caught.value.place
    start = f"{caught.value.place}: {field}: expected " if field else f"{caught.value.place}: expected "
    assert message.startswith(start)
    wanted, _, there = message.partition("expected ")[2].rpartition(" found ")
    assert found in there
    assert allowed in wanted
    assert 1 == len(message.split("\n"))


def test_all_problems_are_collected_in_the_order_of_lines(tmp_path: Path) -> None:
    """Three wrong fields give three lines, in the order of the file."""
    text = PROFILE.replace("gear: 2", "gear: x").replace("end_m: 600", "end_m: y").replace("left", "up")
    with pytest.raises(ProfileError) as caught:
        read(tmp_path, text)
    lines = str(caught.value).split("\n")
    path = tmp_path / "profile.yaml"
    assert [f"{path}:{line_with(text, part)}" for part in ("up", "gear: x", "end_m: y")] == [
        line.split(": ")[0] for line in lines
    ]


def test_a_flood_of_problems_is_cut(tmp_path: Path) -> None:
    """A file with 100 unknown fields gives 20 lines and the count of the rest."""
    with pytest.raises(ProfileError) as caught:
        read(tmp_path, PROFILE + "\n".join(f"x{i}: 1" for i in range(100)))
    lines = str(caught.value).split("\n")
    assert 21 == len(lines)
    assert lines[-1].endswith("and 80 more problems")


BOMB = "a: &a [x, x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{', '.join(['*' + chr(97 + i)] * 10)}]\n" for i in range(9)
)


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "an empty file"),
        (b"# only a comment\n", "an empty file"),
        (b"- a\n- b\n", "a list of 2"),
        (b"just words\n", "'just words'"),
        (b"schema: 1\n\xff\n", "the byte 0xff"),
        (b"a: 1\n---\nb: 2\n", "another document"),
        (b"x" * (MAX_BYTES + 1), f"at most {MAX_BYTES} bytes"),
        (BOMB.encode(), "too many values"),
        (b"a: &a [*a]\n", ""),
        (b"[" * 20000, "at most 200 open brackets"),
        (b"a: " + b"[" * 40 + b"]" * 40 + b"\n", "at most 30 levels deep"),
        (b"\x00\x01", "'\\x00'"),
    ],
)
def test_hostile_or_broken_files_give_one_clear_error(tmp_path: Path, data: bytes, found: str) -> None:
    """Empty, binary, huge, recursive and exploding files are refused quickly with a message of ours."""
    with pytest.raises(DataError) as caught:
        read(tmp_path, data)
    assert str(tmp_path / "profile.yaml") in str(caught.value)
    assert found in str(caught.value)


def test_missing_file_folder_and_unknown_name(tmp_path: Path) -> None:
    """A missing name is reported as such, with the known names."""
    with pytest.raises(ProfileError, match="no such file"):
        read_profile(tmp_path / "none.yaml")
    with pytest.raises(ProfileError, match=r"one of .*; found no profile of that name"):
        load_plan("nowhere")
    with pytest.raises(ProfileError, match=r"a folder without profile.yaml"):
        load_plan(tmp_path)
    (tmp_path / "x" / "profile.yaml").mkdir(parents=True)
    with pytest.raises(ProfileError, match="expected a YAML file, found a folder"):
        read_profile(tmp_path / "x")


def test_a_corner_may_wrap_over_the_line(tmp_path: Path) -> None:
    """Places of a corner that begins before the finish line go on beyond the length."""
    text = PROFILE.replace("500", "980").replace("530", "1000").replace("560", "1040").replace("600", "1080")
    read(tmp_path, text)


def test_a_rule_beside_the_profile_may_be_muted(tmp_path: Path) -> None:
    """The names of a profile's own rules are known to it, as long as they are there."""
    text = PROFILE.replace("[brake_soft, gear]", "[later]")
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "mine.yaml").write_text(RULES)
    read(tmp_path, text)
    (tmp_path / "rules" / "mine.yaml").unlink()
    with pytest.raises(ProfileError, match=r"mute\[1\]: expected .* found 'later'"):
        read(tmp_path, text)
