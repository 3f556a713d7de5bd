"""Converts a pydantic ValidationError to problems with lines: what was found, what is allowed."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterator
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from ruamel.yaml.comments import CommentedMap

from coach.errors import expected
from coach.profile.problems import CrossFieldError, Loc, Problem
from coach.profile.yaml_tree import describe, field_name, key_line, line_of
from feeds.wrong_value import allowed_by


def explain(error: ValidationError, tree: CommentedMap, path: str, model: type[BaseModel]) -> list[Problem]:
    """Return every problem of the file in line order."""
    problems = [p for detail in error.errors(include_url=False) for p in _problems(detail, tree, path, model)]
    return sorted(problems, key=lambda p: p.line)


def _problems(detail: ErrorDetails, tree: CommentedMap, path: str, model: type[BaseModel]) -> Iterator[Problem]:
    loc, kind, context = detail["loc"], detail["type"], detail.get("ctx", {})
    cause = context.get("error")
    if isinstance(cause, CrossFieldError):
        for issue in cause.issues:
            at = (*loc, *issue.loc)
            text = expected(issue.allowed, issue.found)
            yield Problem(path, line_of(tree, at), field_name(tree, at), text, at)
        return
    line = key_line(tree, loc) if kind == "extra_forbidden" else line_of(tree, loc)
    found = "nothing" if kind == "missing" else describe(detail["input"])
    if kind == "extra_forbidden":
        found, allowed = "an unknown field", _known(model, loc)
    elif kind == "value_error":
        allowed = str(cause)
    else:
        allowed = allowed_by(kind, context) or detail["msg"]
    yield Problem(path, line, field_name(tree, loc), expected(allowed, found), loc)


def _known(model: type[BaseModel], loc: Loc) -> str:
    """Return the fields of the model at ``loc`` (whose last part is the unknown one), the likeliest first."""
    here: Any = model
    for part in loc[:-1]:
        here = _inside(here, part)
    if not (isinstance(here, type) and issubclass(here, BaseModel)):
        return "the fields of the schema"
    names = [f.alias or name for name, f in here.model_fields.items()]
    near = difflib.get_close_matches(str(loc[-1]), names, 1)
    return (f"{near[0]} (did you mean that?) or " if near else "") + ", ".join(n for n in names if n not in near)


def _inside(annotation: Any, part: int | str) -> Any:
    if get_origin(annotation) in (Union, types.UnionType):
        annotation = next((a for a in get_args(annotation) if a is not type(None)), None)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        for name, f in annotation.model_fields.items():
            if part in (name, f.alias):
                return f.annotation
        return None
    arguments = get_args(annotation)
    return arguments[-1] if arguments else None
