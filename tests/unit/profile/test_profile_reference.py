"""The reference file: exact there and back, everything wrong with it named."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE, ring

from coach.core.track.reference import REFERENCE_COLUMNS, Reference
from coach.errors import ProfileError
from coach.profile.reference_file import decode_reference, read_reference, write_reference
from coach.profile.store import load_plan


@settings(max_examples=25)
@given(
    closed=st.booleans(),
    n=st.integers(400, 2000),
    seed=st.integers(0, 2**32 - 1),
    inferred=st.booleans(),
    circuit=st.text(st.characters(categories=("L", "N")), min_size=1, max_size=40),
)
def test_there_and_back_is_exact(
    tmp_path_factory: pytest.TempPathFactory, closed: bool, n: int, seed: int, inferred: bool, circuit: str
) -> None:
    """Every bit of every column and of the metadata comes back, NaN included."""
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.001, 0.1, n))
    reference = dataclasses.replace(
        ring(n, closed),
        circuit=circuit,
        inferred_pedals=inferred,
        t_s=times - times[0],
        lap_time_s=float(times[-1] - times[0]) + (0.0123 if closed else 0.0),
        z_m=rng.normal(size=n),
        throttle=rng.uniform(size=n),
        left_m=np.where(rng.uniform(size=n) < 0.5, np.nan, rng.uniform(0, 9, n)),
    )
    path = tmp_path_factory.mktemp("reference") / "reference.arrow"
    write_reference(path, reference)
    again = read_reference(path)
    for field in dataclasses.fields(Reference):
        before, after = getattr(reference, field.name), getattr(again, field.name)
        if field.name in REFERENCE_COLUMNS:
            assert before.tobytes() == after.tobytes()
        else:
            np.testing.assert_equal(after, before)


def but(column: str, at: int, value: float) -> Reference:
    values = getattr(ring(), column).copy()
    values[at] = value
    return dataclasses.replace(ring(), **{column: values})


@pytest.mark.parametrize(
    ("reference", "message"),
    [
        (but("t_s", 500, 1.0), "t_s: found a time that does not rise at node 500"),
        (but("t_s", 500, np.nan), "t_s: found NaN at node 500"),
        (but("t_s", 0, -1.0), "t_s: found -1 at node 0"),
        (but("x_m", 3, np.nan), "x_m: found NaN at node 3"),
        (but("x_m", 3, 900.0), "x_m, y_m: found a jump of"),
        (but("y_m", 3, np.inf), "y_m: found an infinite value"),
        (but("brake", 9, 1.5), "brake: found 1.5 at node 9"),
        (but("speed_mps", 9, -3.0), "speed_mps: found -3 at node 9"),
        (but("left_m", 9, -1.0), "left_m: found -1 at node 9"),
        (dataclasses.replace(ring(), lap_time_s=19.0), "lap_time_s: found 19.0"),
        (dataclasses.replace(ring(), length_m=990.0), "length_m: found 990.0"),
        (dataclasses.replace(ring(), step_m=float("nan")), "step_m: found nan"),
        (dataclasses.replace(ring(), closed=False), "length_m: found 1000.0"),
        (dataclasses.replace(ring(), circuit=""), "circuit: found ''"),
    ],
)
def test_a_wrong_reference_is_neither_written_nor_read(tmp_path: Path, reference: Reference, message: str) -> None:
    """One line names the file, the column and the node; nothing is written."""
    path = tmp_path / "reference.arrow"
    with pytest.raises(ProfileError) as caught:
        write_reference(path, reference)
    field, found = message.split(": ", 1)
    assert str(caught.value).startswith(f"{path}: {field}: expected ")
    assert found in str(caught.value)
    assert not path.exists()


def stored(tmp_path: Path) -> Any:
    write_reference(tmp_path / "reference.arrow", ring())
    with pa.ipc.open_file(pa.BufferReader((tmp_path / "reference.arrow").read_bytes())) as reader:
        return reader.read_all()


def encoded(table: Any) -> bytes:
    sink = io.BytesIO()
    with pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    return sink.getvalue()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop_columns(["z_m"]), "missing or unknown: z_m"),
        (lambda t: t.append_column("w", t["x_m"]), "missing or unknown: w"),
        (lambda t: t.set_column(0, "t_s", t["t_s"].cast(pa.float32())), "t_s: expected float64, found float"),
        (lambda t: t.set_column(3, "z_m", pa.array([None] * 1000, pa.float64())), "found null values"),
        (lambda t: t.replace_schema_metadata({}), "found no reference metadata"),
        (lambda t: t.replace_schema_metadata({"reference": "{}"}), "found metadata that does not fit"),
        (lambda t: t.replace_schema_metadata({"reference": t.schema.metadata[b"reference"].replace(
            b'"schema":1', b'"schema":2')}), "schema: expected 1, found 2"),
    ],
)  # fmt: skip
def test_a_foreign_arrow_file_is_refused(tmp_path: Path, change: Any, message: str) -> None:
    """An Arrow file that is not a reference says what it lacks."""
    with pytest.raises(ProfileError) as caught:
        decode_reference(encoded(change(stored(tmp_path))), "x.arrow")
    assert message in str(caught.value)


def test_damaged_bytes_never_escape_as_foreign_exceptions(tmp_path: Path) -> None:
    """Cut or flipped anywhere, a file gives a reference or a ProfileError, nothing else."""
    write_reference(tmp_path / "reference.arrow", ring())
    data = (tmp_path / "reference.arrow").read_bytes()
    rng = np.random.default_rng(3)
    refused = 0
    for k in range(300):
        broken = bytearray(data[: rng.integers(0, len(data))] if k % 3 == 0 else data)
        for at in rng.integers(0, max(len(broken), 1), 3 if broken else 0):
            broken[at] ^= 1 << int(rng.integers(0, 8))
        try:
            decode_reference(bytes(broken), "x.arrow")
        except ProfileError as e:
            refused += e.place == "x.arrow"
    assert refused > 100


def test_a_plan_needs_a_reference_that_agrees(tmp_path: Path) -> None:
    """Missing reference, other length, open course: each said at the profile's line."""
    (tmp_path / "profile.yaml").write_text(PROFILE)
    with pytest.raises(
        ProfileError, match=r"reference: expected a file in the same folder, found reference.arrow, which is not there"
    ):
        load_plan(tmp_path)
    write_reference(tmp_path / "reference.arrow", ring())
    plan = load_plan(tmp_path)
    assert plan.digest == load_plan(tmp_path / "profile.yaml").digest
    assert ("Invented Ring", 2, {"Ochre": "oaker"}) == (plan.circuit, len(plan.corners), plan.pronounce)
    assert (150.0, 100.0, 50.0) == plan.corners[0].boards_m
    (tmp_path / "profile.yaml").write_text(PROFILE.replace("length_m: 1000.0", "length_m: 1003"))
    with pytest.raises(ProfileError, match=r"profile.yaml:4: length_m: expected 1000, the length of .*; found 1003"):
        load_plan(tmp_path)
    write_reference(tmp_path / "reference.arrow", ring(closed=False))
    text = PROFILE.replace("end_m: 600", "end_m: 1050")
    (tmp_path / "profile.yaml").write_text(text)
    with pytest.raises(ProfileError, match=r"end_m: expected at most 1000: the course does not close, found 1050"):
        load_plan(tmp_path)
