"""The validated packet map: its packets, and the frame fields they hold."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from feeds.frame import has_place
from feeds.packet_map.places import (
    FRAME_NUMBER,
    MAX_PACKET,
    TYPES,
    VELOCITY,
    FieldPlace,
    Item,
    Number,
    Offset,
    Place,
    Skip,
    StrictPart,
    Test,
)
from feeds.yaml_marks import read_checked


class Cars(StrictPart):
    """An array of cars in the packet: fields with ``of_car`` lie relative to the player's element."""

    first: Offset
    stride: Annotated[int, Field(ge=1, le=MAX_PACKET)]
    count: Annotated[int, Field(ge=1, le=1000)]
    player: Place | None = None


class Packet(StrictPart):
    """One kind of packet. ``each_frame`` false: sent occasionally; its values hold until the next one."""

    name: str
    size: Annotated[int, Field(ge=1, le=MAX_PACKET)] | None = None
    at_least: Annotated[int, Field(ge=1, le=MAX_PACKET)] | None = None
    when: tuple[Test, ...] = ()
    cars: Cars | None = None
    each_frame: bool = True
    fields: tuple[Item, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _agrees(self) -> Packet:
        if (self.size is None) == (self.at_least is None):
            raise ValueError("expected either size or at_least; found both or neither")
        names = [f.field for f in self.fields if isinstance(f, FieldPlace)]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"{', '.join(sorted(twice))} is in packet {self.name} more than once")
        if self.cars is None and any(isinstance(f, FieldPlace) and f.of_car for f in self.fields):
            raise ValueError(f"packet {self.name} has fields of_car but no cars")
        room = self.room
        for place in self.placed():
            within, limit = (
                ("the car's element", self.cars.stride) if place.field.of_car and self.cars else ("the packet", room)
            )
            if place.end > limit:
                raise ValueError(f"field {place.field.field} ends at byte {place.end}, {within} at {limit}")
        for test in self.when:
            if test.end > room:
                raise ValueError(f"a test ends at byte {test.end}, the packet {self.name} at {room}")
        cars = self.cars
        if cars is not None and cars.first + cars.count * cars.stride > room:
            raise ValueError(f"the cars end at byte {cars.first + cars.count * cars.stride}, the packet at {room}")
        if cars is not None and cars.player is not None and cars.player.end > room:
            raise ValueError(f"the player's number ends at byte {cars.player.end}, the packet at {room}")
        return self

    @property
    def room(self) -> int:
        """Least size of the packet in bytes."""
        return self.size or self.at_least or 0

    def placed(self) -> list[Placed]:
        """Return each field with its byte offset, relative to the packet or to the player's car element."""
        out = []
        at = {False: 0, True: 0}
        relative = False
        for item in self.fields:
            if isinstance(item, Skip):
                at[relative] += item.skip
                continue
            relative = item.of_car
            width = struct.calcsize("<" + TYPES[item.type])
            start = (at[relative] if item.at is None else item.at) + item.index * width
            at[relative] = start + width
            out.append(Placed(item, start, start + width))
        return out


class Placed:
    """A field and its offset."""

    __slots__ = ("at", "end", "field")

    def __init__(self, field: FieldPlace, at: int, end: int) -> None:
        self.field = field
        self.at = at
        self.end = end


class PacketMap(StrictPart):
    """All packets of a sender. ``turn_deg`` turns positions counter-clockwise; ``clock: arrival`` if no packet contains
    a time.
    """

    name: str
    note: str = ""
    port: Annotated[int, Field(ge=1, le=65_535)] = 20_771
    byte_order: Literal["little", "big"] = "little"
    clock: Literal["packet", "arrival"] = "packet"
    turn_deg: Number = 0.0
    hold_s: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)] = 2.0
    real_car: bool = False
    packets: tuple[Packet, ...] = Field(min_length=1, max_length=64)

    @model_validator(mode="after")
    def _agrees(self) -> PacketMap:
        names = [p.name for p in self.packets]
        if len(set(names)) < len(names):
            raise ValueError("expected each name once, found two packets of one name")
        kinds = {name: [f.field for f in p.fields if isinstance(f, FieldPlace)] for name, p in self.by_name.items()}
        given = {field for fields in kinds.values() for field in fields}
        if self.clock == "packet" and "t_s" not in given:
            raise ValueError("expected a packet with t_s, or clock: arrival; found neither")
        every = [p.name for p in self.packets if p.each_frame]
        if not every:
            raise ValueError("expected at least one packet with each frame, found none")
        if len(self.packets) > 1:
            key = self.key
            lacking = [name for name, fields in kinds.items() if key not in fields and name in every]
            if lacking and self.clock == "packet":
                raise ValueError(f"expected {key} in every packet, to join them; found none in {', '.join(lacking)}")
        if not has_place(given):
            raise ValueError(
                "expected a place (x_m and y_m, lat_deg and lon_deg, lap_distance_m or lap_fraction) in some packet, "
                "found none"
            )
        return self

    @property
    def by_name(self) -> dict[str, Packet]:
        """Packets by name."""
        return {p.name: p for p in self.packets}

    @property
    def fields(self) -> frozenset[str]:
        """The frame fields this map provides."""
        given = {f.field for p in self.packets for f in p.fields if isinstance(f, FieldPlace)}
        if given & set(VELOCITY):
            given.add("speed_mps")
        if {"lat_deg", "lon_deg"} <= given:
            given |= {"x_m", "y_m"}
        if self.clock == "arrival":
            given.add("t_s")
        return frozenset(given - {*VELOCITY, FRAME_NUMBER})

    @property
    def key(self) -> str:
        """The field that joins packets of one frame: the frame number if all have it, else the time."""
        every = [p for p in self.packets if p.each_frame]
        has = all(any(isinstance(f, FieldPlace) and f.field == FRAME_NUMBER for f in p.fields) for p in every)
        return FRAME_NUMBER if has else "t_s"


def read_map(path: Path) -> PacketMap:
    """Return the map in the file ``path``; raise FeedError with file, line, field, what was found and what
    is allowed.
    """
    return read_checked(path, PacketMap)
