"""Sets fields of a corner in the profile's tree and keeps comments and formatting."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ruamel.yaml.comments import CommentedMap, CommentedSeq

from coach.profile.corner_map import place_key


def same(old: Any, new: Any) -> bool:
    """Return whether two values of a file are equal; true is not 1."""
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(map(same, old, new))
    if isinstance(old, dict) and isinstance(new, dict):
        return old.keys() == new.keys() and all(same(old[k], new[k]) for k in old)
    return bool(old == new) and isinstance(old, bool) == isinstance(new, bool)


def put(corner: CommentedMap, path: Sequence[str | int], value: Any) -> None:
    """Set a field of a corner; None or an empty list removes it."""
    head, *rest = path
    if not rest:
        assert isinstance(head, str)
        _put_field(corner, head, value)
        return
    inner = corner.get(head)
    if not isinstance(inner, dict):
        inner = CommentedMap()
        inner.fa.set_flow_style()
        place_key(corner, str(head), inner)
    if value is None:
        inner.pop(rest[0], None)
        if not inner:
            corner.pop(head)
    else:
        inner[rest[0]] = value


def _put_field(corner: CommentedMap, name: str, value: Any) -> None:
    old = corner.get(name)
    if isinstance(value, list) and not value:
        value = None
    if isinstance(value, list):
        if isinstance(old, CommentedSeq):
            _refill(old, value)
            return
        fresh = CommentedSeq(map(_flow, value))
        if all(not isinstance(v, dict) for v in value):
            fresh.fa.set_flow_style()
        value = fresh
    place_key(corner, name, value)


def _refill(old: CommentedSeq, value: list[Any]) -> None:
    """Update a list; unchanged entries keep their comments and formatting."""
    for i, item in enumerate(value):
        if i >= len(old):
            old.append(_flow(item))
        elif isinstance(item, dict) and isinstance(old[i], dict):
            for key in [k for k in old[i] if k not in item]:
                del old[i][key]
            for key, v in item.items():
                if not same(old[i].get(key), v):
                    old[i][key] = v
        elif not same(old[i], item):
            old[i] = _flow(item)
    del old[len(value) :]


def _flow(item: Any) -> Any:
    if not isinstance(item, dict):
        return item
    made = CommentedMap(item)
    made.fa.set_flow_style()
    return made
