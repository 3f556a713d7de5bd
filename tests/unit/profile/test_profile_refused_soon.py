"""Files at the limit of what is read: refused within a second of CPU time, however they are written."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

import pytest

from coach.errors import CoachError
from coach.profile.problems import ProfileFileError, RulesFileError
from coach.profile.rule_files import parse_rules
from coach.profile.store import parse_profile
from coach.profile.yaml_file import MAX_BYTES
from feeds.errors import FeedError
from feeds.yaml_marks import MAX_BYTES as MAX_MAP_BYTES

MOST_S: Final = 1.0
LARGE: Final = 240_000
"""Bytes: a profile and a rule file of this size once took 14 to 19 s."""
TEXTS: Final[dict[str, Callable[[int], str]]] = {
    "corners": lambda n: "corners:\n" + "  - {name: a, apex_m: 1.0}\n" * (n // 28),
    "block rows": lambda n: "rules:\n" + "  - name: a\n    say: b\n" * (n // 24),
    "list": lambda n: "a: [" + "1," * (n // 2) + "]\n",
    "brackets": lambda n: "[" * n,
    "nested rows": lambda n: "- " * (n // 2),
    "quotes": lambda n: "a: " + '"' * n,
    "aliases": lambda n: "a: &a [1]\nb: [" + "*a," * (n // 3) + "]\n",
    "comments": lambda n: "#\n" * (n // 2),
    "anchors": lambda n: "".join(f"k{i}: &x{i} 1\n" for i in range(n // 16)),
    "one word": lambda n: "a" * n,
    "one text": lambda n: "a: " + "word " * (n // 5),
}


@pytest.mark.parametrize("size", [LARGE, MAX_BYTES - 64], ids=["240 kB", "at the limit"])
@pytest.mark.parametrize("form", TEXTS)
@pytest.mark.parametrize(
    ("read", "error"), [(parse_profile, ProfileFileError), (parse_rules, RulesFileError)], ids=["profile", "rules"]
)
def test_a_large_file_is_refused_within_a_second(
    read: Callable[[bytes, str], object], error: type[CoachError], form: str, size: int
) -> None:
    """The file is refused with its name, and the refusal takes under a second of CPU time."""
    data = TEXTS[form](size).encode()
    began = time.process_time()
    with pytest.raises(error, match=r"large\.yaml"):
        read(data, "large.yaml")
    assert time.process_time() - began < MOST_S


@pytest.mark.parametrize("form", TEXTS)
def test_a_large_packet_map_is_refused_within_a_second(form: str) -> None:
    """A packet map at its own limit likewise."""
    from feeds.packet_map.model import PacketMap
    from feeds.yaml_marks import parse_checked

    data = TEXTS[form](MAX_MAP_BYTES - 64).encode()
    began = time.process_time()
    with pytest.raises(FeedError, match=r"large\.yaml"):
        parse_checked(data, "large.yaml", PacketMap)
    assert time.process_time() - began < MOST_S
