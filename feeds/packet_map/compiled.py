"""Compiles each packet of a map to a function, so that decoding needs no lookups in the map.

The function reads all its values with one ``struct`` (more only where fields overlap) and returns them in SI. Its
source contains our own names and numbers of the checked map, never a string from the file.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any, Final

from feeds.frame import FLAGS, NAN, Frame
from feeds.packet_map.model import Packet, Placed
from feeds.packet_map.places import FRAME_NUMBER, INTEGERS, TYPES, VELOCITY

Values = dict[str, Any]
FrameOf = Callable[[bytes, float], Frame]
ValuesOf = Callable[[bytes, float], Values]
_DEFAULTS: Final = {name: NAN if name == "t_s" else getattr(Frame(NAN), name) for name in Frame.__struct_fields__}
_ORDER: Final = {"little": "<", "big": ">"}


def count_of(value: float) -> int | None:
    """Return the integer in a float field; None if absent."""
    return round(value) if math.isfinite(value) else None


class Compiled:
    """One packet kind: a test for it, and the functions that read it.

    ``frame(data, arrival_s)`` returns a Frame, ``values(data, arrival_s)`` a dict of fields. Both may raise
    ``struct.error`` (datagram too short) and ArithmeticError (absurd float).
    """

    __slots__ = ("at_least", "frame", "packet", "size", "tests", "values")

    def __init__(self, packet: Packet, byte_order: str, turn_deg: float, arrival: bool) -> None:
        self.packet = packet
        self.size = packet.size
        self.at_least = packet.room
        order = _ORDER[byte_order]
        self.tests = tuple(
            (slice(t.at, t.end), frozenset(struct.pack(order + TYPES[t.type], v) for v in t.values))
            for t in packet.when
        )
        writer = _Writer(packet, order, turn_deg, arrival)
        frame, values = writer.functions()
        self.frame: FrameOf = frame
        self.values: ValuesOf = values

    def matches(self, data: bytes) -> bool:
        """Return whether ``data``, of the right size, is of this kind."""
        for place, allowed in self.tests:  # noqa: SIM110 - a generator costs as much as the tests
            if data[place] not in allowed:
                return False
        return True


class _Writer:
    def __init__(self, packet: Packet, order: str, turn_deg: float, arrival: bool) -> None:
        self._names: dict[str, Any] = {
            "Frame": Frame,
            "nan": NAN,
            "hypot": math.hypot,
            "count_of": count_of,
            "inf": math.inf,
        }
        self._lines: list[str] = []
        self._order = order
        self._packet = packet
        fixed = [p for p in packet.placed() if not p.field.of_car]
        of_car = [p for p in packet.placed() if p.field.of_car]
        self._local: dict[tuple[bool, int, str], str] = {}
        self._read(fixed, "0", False)
        if of_car and packet.cars is not None:
            self._read(of_car, self._car(), True)
        self._fields = {p.field.field: self._value(p) for p in packet.placed()}
        if arrival and "t_s" not in self._fields:
            self._fields["t_s"] = "arrival_s"
        self._join_velocity()
        self._turn(turn_deg)

    def functions(self) -> tuple[FrameOf, ValuesOf]:
        """Return both functions, compiled."""
        blank = {name: "nan" if default != default else "None" for name, default in _DEFAULTS.items()}
        # positional arguments, which are faster than keywords
        call = ", ".join(self._fields.get(name, blank[name]) for name in Frame.__struct_fields__)
        body = "\n".join(f"    {line}" for line in self._lines) or "    pass"
        pairs = ", ".join(f"{name!r}: {value}" for name, value in self._fields.items())
        text = (
            f"def frame(data, arrival_s):\n{body}\n    return Frame({call})\n"
            f"def values(data, arrival_s):\n{body}\n    return {{{pairs}}}\n"
        )
        exec(compile(text, f"<packet {len(self._fields)} fields>", "exec"), self._names)  # see the module's docstring
        return self._names["frame"], self._names["values"]

    def _car(self) -> str:
        cars = self._packet.cars
        assert cars is not None
        if cars.player is None:
            return str(cars.first)
        self._names["player"] = struct.Struct(self._order + TYPES[cars.player.type]).unpack_from
        self._lines.append(f"(car,) = player(data, {cars.player.at})")
        self._lines.append(f"if not 0 <= car < {cars.count}: raise ArithmeticError")
        return f"{cars.first} + {cars.stride} * int(car)"

    def _read(self, places: list[Placed], base: str, of_car: bool) -> None:
        """One struct for all fields that do not overlap, and one for each that does."""
        left = sorted({(p.at, p.field.type) for p in places})
        while left:
            text, names, at, over = self._order, [], 0, []
            for start, kind in left:
                if start < at:
                    over.append((start, kind))
                    continue
                text += f"{start - at}x{TYPES[kind]}" if start > at else TYPES[kind]
                at = start + struct.calcsize("<" + TYPES[kind])
                name = f"v{len(self._local)}"
                self._local[of_car, start, kind] = name
                names.append(name)
            reader = f"read{len(self._names)}"
            self._names[reader] = struct.Struct(text).unpack_from
            self._lines.append(f"{', '.join(names)}, = {reader}(data, {base})")
            left = over

    def _value(self, placed: Placed) -> str:
        field = placed.field
        raw = self._local[field.of_car, placed.at, field.type]
        is_float = field.type[0] == "f"
        if field.field in FLAGS:
            value = self._flag(raw, field.bit, field.on)
        else:
            scale, shift = field.scale * field.factor, field.shift * field.factor
            whole = not is_float and scale == 1.0 and shift == int(shift)
            if field.field in INTEGERS or field.field == FRAME_NUMBER:
                value = _sum(raw, int(shift)) if whole else f"count_of({raw} * {scale!r} + {shift!r})"
            elif scale == 1.0 and shift == 0.0:
                value = raw if is_float else f"float({raw})"
            else:
                value = f"{raw} * {scale!r}" + (f" + {shift!r}" if shift else "")
        if field.absent is None:
            return value
        absent = "None" if field.field in FLAGS | INTEGERS | {FRAME_NUMBER} else "nan"
        return f"({absent} if {raw} == {field.absent!r} else {value})"

    def _flag(self, raw: str, bit: int | None, on: tuple[int, ...]) -> str:
        if bit is not None:
            return f"{raw} >> {bit} & 1 == 1"
        if on:
            return f"{raw} in {tuple(on)!r}"
        return f"{raw} != 0"

    def _join_velocity(self) -> None:
        parts = [self._fields.pop(name) for name in VELOCITY if name in self._fields]
        if parts and "speed_mps" not in self._fields:
            self._fields["speed_mps"] = f"hypot({', '.join(parts)})"

    def _turn(self, turn_deg: float) -> None:
        if turn_deg == 0.0 or not {"x_m", "y_m"} <= set(self._fields):
            return
        c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        self._lines.append(f"east, north = {self._fields['x_m']}, {self._fields['y_m']}")
        self._fields["x_m"] = f"east * {c!r} - north * {s!r}"
        self._fields["y_m"] = f"east * {s!r} + north * {c!r}"


def _sum(raw: str, shift: int) -> str:
    return raw if shift == 0 else f"{raw} + {shift}" if shift > 0 else f"{raw} - {-shift}"
