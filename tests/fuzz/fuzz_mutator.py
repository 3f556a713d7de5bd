"""A seeded mutator of bytes: the same seed gives the same inputs."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence

INTERESTING = [
    struct.pack(order + kind, value)
    for order in "<>"
    for kind, values in {
        "f": (float("nan"), float("inf"), -float("inf"), 3e38, -1.0, 1e-40, 150.1, 1e6),
        "d": (float("nan"), float("inf"), 1.7e308, -1.0),
        "i": (-1, 2**31 - 1, -(2**31), 0),
        "H": (0, 65_535),
    }.items()
    for value in values
]
WORDS = [
    b"nan",
    b"inf",
    b"-",
    b"1e999",
    b"null",
    b"NaN",
    b"9" * 40,
    b"",
    b"\x00",
    b"\xff\xff\xff\xff",
    b'"',
    b",",
    b"*",
]


def mutate(rng: random.Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """``data`` after one to four changes; sometimes none at all."""
    out = bytearray(data)
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3, 4))):
        size = len(out)
        at = rng.randrange(size) if size else 0
        what = rng.randrange(9)
        if what <= 1 and size:
            out[at] ^= 1 << rng.randrange(8)
        elif what == 2 and size:
            out[at] = rng.randrange(256)
        elif what == 3 and size:
            part = rng.choice(INTERESTING)
            out[at : at + len(part)] = part
        elif what == 4:
            out[at:at] = rng.choice(WORDS)
        elif what == 5 and size:
            del out[at : at + rng.randint(1, max(size // 4, 1))]
        elif what == 6 and size:
            del out[at:]
        elif what == 7 and size:
            part = bytes(out[at : at + rng.randint(1, 64)])
            out[at:at] = part
        else:
            other = rng.choice(others)
            cut = rng.randrange(len(other) + 1)
            out = bytearray(bytes(out[:at]) + other[cut:])
    return bytes(out)
