"""Offset, type and unit of a value in a packet.

A frame value is ``(raw * scale + shift)`` in ``unit``, converted to SI.
"""

from __future__ import annotations

import struct
from typing import Annotated, Any, Final

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Tag, model_validator

from feeds.frame import COUNTS, FLAGS
from feeds.units import UNITS, plain_unit

TYPES: Final = {
    "u8": "B",
    "i8": "b",
    "u16": "H",
    "i16": "h",
    "u32": "I",
    "i32": "i",
    "u64": "Q",
    "i64": "q",
    "f16": "e",
    "f32": "f",
    "f64": "d",
}
"""Type name -> format character of the module ``struct``."""
VELOCITY: Final = ("vx_mps", "vy_mps", "vz_mps")
"""Velocity components: their length is the speed if the packets contain none."""
FRAME_NUMBER: Final = "frame_number"
INTEGERS: Final = COUNTS | {"seq"}
FIELDS: Final = (*UNITS, *VELOCITY, FRAME_NUMBER)
MAX_PACKET: Final = 65_507
"""The largest UDP payload over IPv4 (RFC 768, RFC 791)."""


def _type(value: str) -> str:
    if value not in TYPES:
        raise ValueError(f"expected one of {', '.join(TYPES)}")
    return value


TypeName = Annotated[str, AfterValidator(_type)]
Unit = Annotated[str, AfterValidator(plain_unit)]
Offset = Annotated[int, Field(ge=0, le=MAX_PACKET)]
Number = Annotated[float, Field(allow_inf_nan=False)]


class StrictPart(BaseModel):
    """Base of all parts of the map: unknown fields are errors."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Place(StrictPart):
    """A value at byte ``at``."""

    at: Offset
    type: TypeName

    @property
    def end(self) -> int:
        """The byte after the value."""
        return self.at + struct.calcsize("<" + TYPES[self.type])


class Test(Place):
    """The packet is of this kind if the value is one of ``is``."""

    __test__ = False  # not a test of pytest

    values: tuple[int, ...] = Field(alias="is", min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _one_or_many(cls, data: Any) -> Any:
        if isinstance(data, dict) and isinstance(data.get("is"), int):
            return {**data, "is": [data["is"]]}
        return data

    @model_validator(mode="after")
    def _fits(self) -> Test:
        for value in self.values:
            try:
                struct.pack("<" + TYPES[self.type], value)
            except (struct.error, OverflowError):
                raise ValueError(f"expected a value of {self.type}, found {value}") from None
        return self


class FieldPlace(StrictPart):
    """One frame field; without ``at`` it follows the previous field."""

    field: str
    type: TypeName
    at: Offset | None = None
    index: Annotated[int, Field(ge=0, le=MAX_PACKET)] = 0
    scale: Number = 1.0
    shift: Number = 0.0
    unit: Unit = ""
    absent: Number | None = None
    bit: Annotated[int, Field(ge=0, le=63)] | None = None
    on: tuple[int, ...] = ()
    of_car: bool = False

    @model_validator(mode="after")
    def _agrees(self) -> FieldPlace:
        if self.field not in FIELDS:
            raise ValueError(f"expected one of {', '.join(FIELDS)}; found {self.field!r}")
        units = self.units
        if self.unit and self.unit not in units:
            raise ValueError(f"unit of {self.field}: expected one of {', '.join(units)}; found {self.unit!r}")
        if self.bit is not None and self.type[0] == "f":
            raise ValueError(f"expected an integer type for a bit, found {self.type}")
        if (self.bit is not None or self.on) and self.field not in FLAGS:
            raise ValueError(f"bit and on: expected a flag ({', '.join(sorted(FLAGS))}), found {self.field}")
        return self

    @property
    def units(self) -> dict[str, float]:
        """Allowed units of this field."""
        if self.field in VELOCITY:
            return UNITS["speed_mps"]
        return UNITS.get(self.field, {})

    @property
    def factor(self) -> float:
        """From ``unit`` to SI."""
        return self.units[self.unit] if self.unit else 1.0


class Skip(StrictPart):
    """Bytes between fields that are listed in order."""

    skip: Annotated[int, Field(ge=1, le=MAX_PACKET)]


def _item(value: Any) -> str:
    return "<skip>" if isinstance(value, Skip) or (isinstance(value, dict) and "skip" in value) else "<field>"


Item = Annotated[
    Annotated[FieldPlace, Tag("<field>")] | Annotated[Skip, Tag("<skip>")], Discriminator(_item)
]  # the tag identifies which of the two an error concerns
