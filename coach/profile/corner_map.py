"""Turns surveyed corners into YAML, and into a new profile."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from coach.core.values import Corner
from coach.profile.models import SURVEYED_FIELDS, CornerModel, ProfileModel
from coach.profile.problems import ProfileFileError
from coach.profile.yaml_file import YamlFile
from coach.profile.yaml_tree import write_tree

_HEADER = """\
# Corner profile. Edit by hand or with the editor: comments stay.
# Places are metres along the reference, from the finish line. boards: metres before turn-in, far to near.
# The survey refreshes only the numbers that still equal those under `surveyed`; yours are kept. A corner that you
# delete stays out of it, as long as its line stands under `last_survey`.
"""
LAST_SURVEY: Final = "last_survey"
"""Profile key of the surveys' corners."""
_ORDER = [f.alias or n for n, f in CornerModel.model_fields.items()]


def survey_values(corner: Corner) -> dict[str, Any]:
    """Return a corner's survey fields, rounded to 0.1 m; None where not applicable."""
    out: dict[str, Any] = {}
    for field in SURVEYED_FIELDS:
        value = getattr(corner, field)
        if field == "gear":
            out[field] = value if value is not None and 1 <= value <= 8 else None
        elif field == "more_apexes_m":
            out[field] = [place for place in map(_rounded, value) if place is not None] or None
        else:
            out[field] = _rounded(value)
    return out


def corner_map(corner: Corner, name: str = "") -> CommentedMap:
    """Return a new corner for the profile's tree, with the survey's numbers also under ``surveyed``."""
    out = CommentedMap()
    out["name"] = name or corner.name
    if corner.say and corner.say != out["name"]:
        out["say"] = corner.say
    out["direction"] = corner.direction
    values = {k: v for k, v in survey_values(corner).items() if v is not None}
    out.update({k: flowing(v) for k, v in values.items()})
    if corner.boards_m and math.isfinite(corner.brake_m):
        out["boards"] = flowing([_rounded(b) for b in corner.boards_m])
    if corner.apex is not None:
        out["apex"] = corner.apex
    out["surveyed"] = flowing({k: flowing(v) for k, v in values.items()})
    return CommentedMap(sorted(out.items(), key=lambda item: _ORDER.index(item[0])))


def flowing(value: Any) -> Any:
    """Return a list or a mapping as one line of the file; anything else unchanged."""
    if not isinstance(value, list | dict):
        return value
    row = CommentedSeq(value) if isinstance(value, list) else CommentedMap(value)
    row.fa.set_flow_style()
    return row


def outline(corner: Corner) -> dict[str, Any]:
    """Return a surveyed corner's entry under ``last_survey``: enough to recognise it."""
    values = survey_values(corner)
    return {"direction": corner.direction, **{f: values[f] for f in ("turn_in_m", "apex_m", "end_m")}}


def outlines(every: Sequence[dict[str, Any]]) -> CommentedSeq:
    """Return the corners of a survey for the file, one per line."""
    return CommentedSeq(map(flowing, every))


def free_name(name: str, taken: set[str]) -> str:
    """Return ``name``, with a number if it is ``taken`` (case folded) already; mark it as taken."""
    free, n = name, 2
    while free.casefold() in taken:
        free, n = f"{name} ({n})", n + 1
    taken.add(free.casefold())
    return free


def place_key(node: CommentedMap, key: str, value: Any) -> None:
    """Set ``key`` in a corner (or its ``surveyed``) in the schema's order; None removes it."""
    if value is None:
        node.pop(key, None)
    elif key in node:
        node[key] = value
    else:
        rank = _ORDER.index(key)
        at = sum(1 for other in node if other in _ORDER and _ORDER.index(other) < rank)
        node.insert(at, key, value)


def new_profile(path: Path, circuit: str, length_m: float, corners: Sequence[Corner]) -> YamlFile[ProfileModel]:
    """Return the first profile of a circuit, not yet on disk: ``save()`` writes it. Raises ProfileError."""
    tree = CommentedMap()
    tree["schema"] = 1
    tree["circuit"] = DoubleQuotedScalarString(circuit)
    tree["length_m"] = round(length_m, 3)
    tree["reference"] = "reference.arrow"
    tree["corners"] = CommentedSeq(corner_map(c) for c in corners)
    tree[LAST_SURVEY] = outlines([outline(c) for c in corners])
    text = _HEADER + write_tree(tree)
    return YamlFile.new(path, text, ProfileModel, ProfileFileError)


def _rounded(value: float) -> float | None:
    return round(float(value), 1) if math.isfinite(value) else None
