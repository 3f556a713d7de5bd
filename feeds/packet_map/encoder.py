"""Encodes frames as packets of a map, to send a session to a listener with that map, and for tests."""

from __future__ import annotations

import math
import struct
from typing import Any, Final

from feeds.frame import FLAGS, Frame
from feeds.packet_map.model import Packet, PacketMap
from feeds.packet_map.places import FRAME_NUMBER, INTEGERS, TYPES, VELOCITY, FieldPlace

_INTEGER_LIMITS: Final = {
    name: (0 if name[0] == "u" else -(1 << (int(name[1:]) - 1)), (1 << (int(name[1:]) - (name[0] == "i"))) - 1)
    for name in TYPES
    if name[0] != "f"
}


def packets_of(packet_map: PacketMap, frame: Frame, frame_number: int = 0, player: int = 0) -> list[bytes]:
    """Return all packets of ``frame``; an absent value in an integer field is written as 0."""
    return [_packet(packet_map, p, frame, frame_number, player) for p in packet_map.packets]


def _packet(packet_map: PacketMap, packet: Packet, frame: Frame, frame_number: int, player: int) -> bytes:
    order = "<" if packet_map.byte_order == "little" else ">"
    data = bytearray(packet.room)
    base = 0
    if packet.cars is not None:
        car = player if packet.cars.player is not None else 0
        base = packet.cars.first + car * packet.cars.stride
        if packet.cars.player is not None:
            struct.pack_into(order + TYPES[packet.cars.player.type], data, packet.cars.player.at, car)
    for test in packet.when:
        struct.pack_into(order + TYPES[test.type], data, test.at, test.values[0])
    x, y = _turned_back(packet_map.turn_deg, frame)
    for placed in packet.placed():
        field = placed.field
        at = placed.at + (base if field.of_car else 0)
        value: Any = x if field.field == "x_m" else y if field.field == "y_m" else _value(field, frame, frame_number)
        form = order + TYPES[field.type]
        if field.field in FLAGS:
            value = _flag(field, value, struct.unpack_from(form, data, at)[0])
        else:
            value = _raw(field, value)
        struct.pack_into(form, data, at, value)
    return bytes(data)


def _value(field: FieldPlace, frame: Frame, frame_number: int) -> Any:
    if field.field == FRAME_NUMBER:
        return frame_number
    if field.field in VELOCITY:
        return frame.speed_mps if field.field == VELOCITY[0] else 0.0
    return getattr(frame, field.field)


def _raw(field: FieldPlace, value: float | None) -> float:
    is_float = field.type[0] == "f"
    if value is None or value != value:
        return field.absent if field.absent is not None and is_float else _absent(field, is_float)
    raw = (value / field.factor - field.shift) / field.scale
    if is_float:
        return raw
    low, high = _INTEGER_LIMITS[field.type]
    return min(max(round(raw), low), high)


def _absent(field: FieldPlace, is_float: bool) -> float:
    if is_float:
        return 0.0 if field.field in INTEGERS else math.nan
    return int(field.absent) if field.absent is not None else 0


def _flag(field: FieldPlace, value: bool | None, there: int) -> int:
    if field.bit is not None:
        return there | (1 << field.bit) if value else there
    return (field.on[0] if field.on else 1) if value else 0


def _turned_back(turn_deg: float, frame: Frame) -> tuple[float, float]:
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return frame.x_m * c + frame.y_m * s, frame.y_m * c - frame.x_m * s
