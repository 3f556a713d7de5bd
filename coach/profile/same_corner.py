"""Matches corners between surveys, and finds surveyed corners deleted from the profile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from ruamel.yaml.comments import CommentedMap

from coach.profile.corner_map import LAST_SURVEY, outlines

MATCH_M: Final = 60.0
"""Two corners of one direction are the same if their apexes are this near or they overlap."""

Values = dict[str, Any]


def match(known: Sequence[Values], found: Sequence[Values], length_m: float) -> dict[int, int]:
    """Return the index of a known corner -> index of the found corner of the same corner; nearest apexes first."""
    near = []
    for i, a in enumerate(known):
        for k, b in enumerate(found):
            if a["direction"] != b["direction"]:
                continue
            apart = abs(math.remainder(a["apex_m"] - b["apex_m"], length_m))
            half = (a["end_m"] - a["turn_in_m"] + b["end_m"] - b["turn_in_m"]) / 2
            middles = (a["end_m"] + a["turn_in_m"] - b["end_m"] - b["turn_in_m"]) / 2
            if apart <= MATCH_M or abs(math.remainder(middles, length_m)) < half:
                near.append((apart, i, k))
    pairs: dict[int, int] = {}
    for _, i, k in sorted(near):
        if i not in pairs and k not in pairs.values():
            pairs[i] = k
    return pairs


def taken_out(tree: CommentedMap, corners: Sequence[Values], length_m: float) -> list[Values]:
    """Return the corners of the last survey missing in the profile, because the user deleted them."""
    last = [dict(c) for c in tree.get(LAST_SURVEY) or ()]
    there = match(corners, last, length_m).values()
    return [c for k, c in enumerate(last) if k not in there]


def remember(tree: CommentedMap, found: Sequence[Values], length_m: float) -> None:
    """Store this survey's corners; corners only earlier surveys found stay known."""
    last = [dict(c) for c in tree.get(LAST_SURVEY) or ()]
    again = match(last, found, length_m)
    every = [*found, *(c for i, c in enumerate(last) if i not in again)]
    every.sort(key=lambda c: float(c["turn_in_m"]))
    if every != last:
        tree[LAST_SURVEY] = outlines(every)
