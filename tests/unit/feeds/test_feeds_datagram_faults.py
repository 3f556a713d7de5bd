"""Why a datagram is refused: whatever comes in, there is a sentence for it and never an exception."""

from __future__ import annotations

import json
import math

import msgspec
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from feeds.counters import _RANGES, KINDS, Counters, remedy
from feeds.datagrams import unknown_fields, why_refused
from feeds.frame import RANGES, Frame
from feeds.importers.by_value import by_value
from feeds.importers.table import Table
from feeds.messages import decode

VALUES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.lists(st.integers())


@given(st.binary(max_size=200) | st.text(max_size=80).map(str.encode))
def test_any_bytes_have_a_reason(data: bytes) -> None:
    """Data without a frame is explained in one line; data with one has no unknown field or names it."""
    if decode(data) is None:
        assert why_refused(data)
        assert "\n" not in why_refused(data)
    assert all(line.startswith(f"{name}: ") for name, line in unknown_fields(data))


@given(st.dictionaries(st.sampled_from([*Frame.__struct_fields__, "speed_kmh", "time"]), VALUES))
@settings(max_examples=300)
def test_a_field_of_the_wrong_type_is_named(fields: dict[str, object]) -> None:
    """As JSON and as MessagePack: a reason that begins with a field of the datagram, unless its form is wrong."""
    for data in (json.dumps(fields, allow_nan=False, default=str).encode() if _json(fields) else b"{}",
                 msgspec.msgpack.encode(fields) if _packs(fields) else b"\x80"):  # fmt: skip
        if decode(data) is None and fields:
            assert why_refused(data).partition(":")[0] in {*Frame.__struct_fields__, "a datagram cannot be decoded"}


def _json(fields: dict[str, object]) -> bool:
    return all(not isinstance(v, float) or math.isfinite(v) for v in fields.values())


def _packs(fields: dict[str, object]) -> bool:
    def fits(v: object) -> bool:
        return not isinstance(v, int) or isinstance(v, bool) or -(2**63) <= v < 2**64

    return all(fits(w) for v in fields.values() for w in (v if isinstance(v, list) else [v]))


@pytest.mark.parametrize("kind", sorted({kind for *_, kind in RANGES}))
def test_each_field_that_can_be_refused_has_its_range_in_words(kind: str) -> None:
    """No field of the gate is without the range that its user must keep to."""
    for name, _, _, counted in RANGES:
        if counted == kind:
            counters = Counters()
            counters.found[kind] = (name, 1e9)
            assert remedy(kind, counters).startswith(f"{name}: expected {_RANGES[name]}")
            assert remedy(kind, counters).endswith(" found 1e+09")
    assert kind in KINDS


@given(st.lists(st.lists(st.floats() | st.integers(-5, 5).map(float), min_size=130, max_size=130), max_size=4))
@settings(max_examples=60)
def test_any_numbers_make_no_error_by_value(columns: list[list[float]]) -> None:
    """Infinities, gaps and noise fit nothing, or are a field: never an exception."""
    table = Table(pa.table({f"c{i}": values for i, values in enumerate(columns)}), {})
    found = by_value(table, {})
    assert len({one.column for one in found}) == len(found)
