"""The words for a wrong value: what was expected and what was found, the same in every message."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

_KINDS: Final[Mapping[str, str]] = {
    "float_type": "a number",
    "float_parsing": "a number",
    "int_type": "a whole number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "list_type": "a list",
    "tuple_type": "a list",
    "dict_type": "a map",
    "mapping_type": "a map",
    "model_type": "a map of fields",
    "model_attributes_type": "a map of fields",
    "finite_number": "a finite number",
    "missing": "a value",
}
_BOUNDS: Final[Mapping[str, tuple[str, str]]] = {
    "greater_than": ("gt", "more than {}"),
    "greater_than_equal": ("ge", "at least {}"),
    "less_than": ("lt", "less than {}"),
    "less_than_equal": ("le", "at most {}"),
    "string_too_long": ("max_length", "at most {} characters"),
    "string_too_short": ("min_length", "at least {} characters"),
    "string_pattern_mismatch": ("pattern", "text of the form {}"),
    "too_long": ("max_length", "at most {} entries"),
    "too_short": ("min_length", "at least {} entries"),
    "literal_error": ("expected", "{}"),
}


def expected(allowed: object, found: object) -> str:
    """Return "expected 0 to 1, found 3"; a semicolon ends a list of what is allowed."""
    return f"expected {allowed}{';' if ',' in str(allowed) else ','} found {found}"


def allowed_by(kind: str, context: Mapping[str, Any]) -> str:
    """Return what pydantic's error ``kind`` allows, with the bounds in its ``context``; "" if this table lacks it."""
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return words.format(context.get(key))
    return _KINDS.get(kind, "")
