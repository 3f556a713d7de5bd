"""Mutated files: whatever a person, an editor or an attacker does to the text, only our own errors leave."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE, RULES

from coach.errors import DataError
from coach.profile.rule_files import parse_rules
from coach.profile.store import parse_profile

PIECES = [
    *("{", "}", "[", "]", ": ", "- ", "&a ", "*a", "!!int ", "!x ", "<<: ", "? ", "| ", "> ", "'", '"', "#", "\t"),
    *("%YAML 1.1\n---\n", "\n", "\n\n  ", ",", "~", "null", ".inf", "1e999", "0x1f", "2020-01-01", "\u2028", "\x85"),
    *("\x00", "\ud7ff", "!!set ", "!!omap ", "!!binary ", "@", "`", "=", "1_0", "- - -", "\r", "--- ", "..."),
]

mutations = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 12), st.sampled_from(PIECES) | st.text(max_size=3)),
    min_size=1,
    max_size=4,
)


def mutated(text: str, changes: list[tuple[float, int, str]]) -> bytes:
    for where, cut, put in changes:
        at = int(where * len(text))
        text = text[:at] + put + text[at + cut :]
    return text.encode("utf-8", "surrogatepass")


@settings(max_examples=250)
@given(mutations, st.booleans())
def test_only_data_errors_leave(changes: list[tuple[float, int, str]], rules: bool) -> None:
    """A mutated file is still a file of ours or a DataError whose every line names the file."""
    data = mutated(RULES if rules else PROFILE, changes)
    try:
        if rules:
            parse_rules(data, "f.yaml").to_rules()
        else:
            parse_profile(data, "f.yaml").to_corners()
    except DataError as e:
        assert all(line.startswith("f.yaml") for line in str(e).split("\n"))  # noqa: PT017  (every error is looked at)


@settings(max_examples=150)
@given(st.binary(max_size=60))
def test_bytes_that_are_no_file_at_all(data: bytes) -> None:
    """Arbitrary bytes never give a traceback of another library."""
    try:
        parse_profile(data, "f.yaml")
    except DataError as e:
        assert str(e).startswith("f.yaml")  # noqa: PT017  (every error is looked at)
    else:
        raise AssertionError("60 arbitrary bytes cannot be a profile")
