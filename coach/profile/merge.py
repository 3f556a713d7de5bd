"""Merges a survey's corners into an edited profile without losing any edit.

Each corner stores the survey's last numbers under ``surveyed``. A number equal to its surveyed twin belongs to the
survey and is refreshed; a different one was edited and stays, as does its twin. A field named under ``kept`` always
stays, as does every number of a corner without ``surveyed`` (written by hand). Names, words, boards, kerbs and comments
never change.

A deleted corner stays out: ``last_survey`` stores the outlines of all surveyed corners, and an outline without a corner
in the profile is not added again. To restore it, remove its line from ``last_survey``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from pydantic import ValidationError
from ruamel.yaml.comments import CommentedMap

from coach.core.values import Corner
from coach.errors import expected
from coach.profile.corner_map import (
    LAST_SURVEY,
    corner_map,
    flowing,
    free_name,
    outline,
    outlines,
    place_key,
    survey_values,
)
from coach.profile.models import PLACES, SURVEYED_FIELDS, CornerModel
from coach.profile.problems import CrossFieldError
from coach.profile.yaml_tree import plain

MATCH_M: Final = 60.0
"""Two corners of one direction are the same if their apexes are this near or they overlap."""
Values = dict[str, Any]


@dataclass(frozen=True)
class MergeReport:
    """Result of a merge: ``refreshed`` and ``kept`` as (corner, field, profile's value, survey's value).

    ``vanished`` corners are in the profile but were not found again: they stay. ``refused`` are (corner, why): the
    survey's numbers would have made the profile invalid (limit, order or overlap). ``left_out`` are found corners
    (direction, apex [m]) deleted by the user: they stay out.
    """

    refreshed: tuple[tuple[str, str, Any, Any], ...] = ()
    kept: tuple[tuple[str, str, Any, Any], ...] = ()
    added: tuple[str, ...] = ()
    vanished: tuple[str, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()
    left_out: tuple[tuple[str, float], ...] = ()


@dataclass
class _Part:
    """One corner of the merged profile: its current state, and its state with the survey's numbers."""

    name: str
    now: CommentedMap
    new: Values
    twin: Values
    is_new: bool = False

    @property
    def changed(self) -> bool:
        return self.is_new or any(self.now.get(f) != self.new.get(f) for f in SURVEYED_FIELDS)


def merge_survey(tree: CommentedMap, surveyed: Sequence[Corner], length_m: float) -> MergeReport:
    """Refresh the profile ``tree`` (as ``YamlFile.tree``, valid) in place from ``surveyed``, in driving order.

    ``length_m`` is the length of the survey's reference; it becomes the profile's. The tree stays valid unless the new
    length alone breaks it, which ``YamlFile.check`` reports.
    """
    length_m = round(length_m, 3)
    corners = tree["corners"]
    known, outlines = [_values(c) for c in corners], [outline(c) for c in surveyed]
    deleted = taken_out(tree, known, length_m)
    pairs = match([*known, *deleted], outlines, length_m)
    left_out = {k for i, k in pairs.items() if i >= len(known)}
    refused: list[tuple[str, str]] = []
    kept: list[tuple[str, str, Any, Any]] = []
    parts: list[_Part] = []
    for i, corner in enumerate(corners):
        found = surveyed[pairs[i]] if i in pairs else None
        part = _refreshed(corner, found, kept)
        if why := _wrong(part):
            refused.append((part.name, why))
            part = _refreshed(corner, None, kept)
        parts.append(part)
    taken = {p.name.casefold() for p in parts}
    for k, found in enumerate(surveyed):
        if k not in pairs.values():
            name = free_name(found.name, taken)
            new = corner_map(found, name)
            parts.append(_Part(name, new, _values(new), dict(new["surveyed"]), is_new=True))
    parts.sort(key=lambda p: _start(p.new) if p.is_new else _start(_values(p.now)))
    refused += _untangle(parts, length_m)
    report = _apply(tree, parts, length_m, kept, refused, [i for i in range(len(corners)) if i not in pairs])
    # a corner without room was not deleted by the user: do not remember it
    there = match([_values(c) for c in corners], outlines, length_m).values()
    remember(tree, [o for k, o in enumerate(outlines) if k in there or k in left_out], length_m)
    return replace(report, left_out=tuple((surveyed[k].direction, surveyed[k].apex_m) for k in sorted(left_out)))


def _refreshed(corner: CommentedMap, found: Corner | None, kept: list[tuple[str, str, Any, Any]]) -> _Part:
    now, twin = _values(corner), dict(corner.get("surveyed") or {})
    part = _Part(corner["name"], corner, dict(now), dict(twin))
    if found is None:
        kept[:] = [k for k in kept if k[0] != part.name]
        return part
    by_hand = "surveyed" not in corner
    for field, value in survey_values(found).items():
        if by_hand or field in (corner.get("kept") or ()) or now[field] != twin.get(field):
            if now[field] != value:
                kept.append((part.name, field, now[field], value))
            continue
        part.new[field] = value
        part.twin[field] = value
    return part


def _wrong(part: _Part) -> str:
    """Return why the corner would not be valid with its new numbers, "" when it would."""
    whole = {field: value for field, value in (plain(part.now) | part.new).items() if value is not None}
    try:
        CornerModel.model_validate(whole)
    except ValidationError as e:
        detail = e.errors(include_url=False)[0]
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, CrossFieldError):
            issue = cause.issues[0]
            return f"{'.'.join(map(str, issue.loc))}: {expected(issue.allowed, issue.found)}"
        return f"{'.'.join(map(str, detail['loc']))}: {detail['msg']}"
    return ""


def _untangle(parts: list[_Part], length_m: float) -> list[tuple[str, str]]:
    """Revert the survey's numbers where corners would overlap; return the refused ones."""
    refused = []
    while (pair := _overlap(parts, length_m)) is not None:
        changed = [p for p in reversed(pair) if p.changed]
        if not changed:  # the profile had that already
            break
        # a new corner yields to a known one
        part = next((p for p in changed if p.is_new), changed[0])
        other = pair[0] if part is pair[1] else pair[1]
        refused.append((part.name, f"would overlap {other.name}"))
        if part.is_new:
            parts.remove(part)
        else:
            part.new, part.twin = _values(part.now), dict(part.now.get("surveyed") or {})
    return refused


def _overlap(parts: list[_Part], length_m: float) -> tuple[_Part, _Part] | None:
    for i, part in enumerate(parts):
        after = parts[(i + 1) % len(parts)]
        begins = _start(after.new) + (length_m if i + 1 == len(parts) else 0.0)
        if part.new["end_m"] > begins:
            return part, after
    return None


def _apply(
    tree: CommentedMap,
    parts: list[_Part],
    length_m: float,
    kept: list[tuple[str, str, Any, Any]],
    refused: list[tuple[str, str]],
    lost: list[int],
) -> MergeReport:
    corners = tree["corners"]
    vanished = tuple(corners[i]["name"] for i in lost)
    refreshed = []
    added = []
    for at, part in enumerate(parts):
        if part.is_new:
            corners.insert(at, part.now)
            added.append(part.name)
            continue
        for field in SURVEYED_FIELDS:
            old, new = part.now.get(field), part.new.get(field)
            if old != new:
                refreshed.append((part.name, field, old, new))
                place_key(part.now, field, flowing(new))
        if "surveyed" in part.now:
            for field in SURVEYED_FIELDS:
                if part.now["surveyed"].get(field) != part.twin.get(field):
                    place_key(part.now["surveyed"], field, flowing(part.twin.get(field)))
    if tree["length_m"] != length_m:
        tree["length_m"] = length_m
    return MergeReport(tuple(refreshed), tuple(kept), tuple(added), vanished, tuple(refused))


def _values(corner: CommentedMap) -> Values:
    return {f: plain(corner.get(f)) for f in ("direction", *SURVEYED_FIELDS)}


def _start(values: Values) -> float:
    return float(next(values[f] for f in PLACES if values[f] is not None))


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
