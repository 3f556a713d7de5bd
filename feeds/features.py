"""The features a source supports: on, inferred or off, one line each, shown once at the start."""

from __future__ import annotations

from typing import Final, Literal

import msgspec

from feeds.base import Channels

REAL_CAR: Final = (
    "A real car is fed. Use this on a closed circuit only, where the organiser allows it, and never on a public road.",
    "The prompts are hints from past laps: they know nothing of traffic, flags, weather, tyres or oil.",
    "Flags and marshals come first.",
    "No prompt is a command. When you hear one late or doubt it, drive as you would without it.",
    "Fix the device so that it cannot come loose, set it up standing, and do not touch or watch it while you drive.",
    "Place and speed come from a satellite receiver: expect metres, not centimetres. Throttle and brake are inferred.",
)
"""One line each, in display order."""


State = Literal["on", "inferred", "off"]


class Feature(msgspec.Struct, frozen=True):
    """One coaching feature: its state, and its limits or the reason it is off."""

    name: str
    state: State
    why: str


class _Need(msgspec.Struct, frozen=True):
    """``any_of``: sets of fields, any one suffices. ``coarse``: what an inferred channel is too coarse for."""

    name: str
    any_of: tuple[frozenset[str], ...]
    coarse: str = ""


def _fields(*names: str) -> frozenset[str]:
    return frozenset(names)


_PLACE: Final = (_fields("x_m", "y_m"), _fields("lap_distance_m"), _fields("lap_fraction"))
_LINE: Final = (_fields("x_m", "y_m"),)

# numbers from tests/tools/feed_bench.py for a 10 Hz receiver: nine passes in ten stay within them
FEATURES: Final = (
    _Need("place on the lap", _PLACE),
    _Need("time against the reference", _PLACE),
    _Need("lowest and exit speed", (_fields("speed_mps"),), "a few tenths of a metre per second too smooth"),
    _Need("brake points", (_fields("brake"),), "good to some 4 m; a light brake looks like a lift"),
    _Need("brake effort and release", (_fields("brake"),), "effort is good, the release only to some 8 m"),
    _Need("throttle points", (_fields("throttle"),), "first throttle to some 7 m, full throttle to some 20 m; late ones"
          " are often missed"),
    _Need("coasting", (_fields("throttle", "brake"),), "a guess: most of it is missed, so trust no silence"),
    _Need("apex, exit and turn-in by the path", _LINE),
    _Need("steering corrections", (_fields("steer"),)),
    _Need("gear", (_fields("gear"),)),
    _Need("gradient", (_fields("z_m"),)),
    _Need("track limits", (_fields("wheels_off"),)),
    _Need("silence in the pits", (_fields("in_pit"),)),
    _Need("bumps and crests that wake the driver aids", (_fields("traction_control"), _fields("anti_lock"))),
)  # fmt: skip


def features(channels: Channels) -> list[Feature]:
    """Return the state of every feature for a source with ``channels``."""
    out = []
    for need in FEATURES:
        met = [fields for fields in need.any_of if fields <= channels.given]
        if not met:
            lacking = " or ".join(" and ".join(sorted(fields - channels.given)) for fields in need.any_of)
            out.append(Feature(need.name, "off", f"the source gives no {lacking}"))
            continue
        sure = [fields for fields in met if not fields & channels.inferred]
        if sure:
            out.append(Feature(need.name, "on", ""))
            continue
        from_what = ", ".join(sorted(met[0] & channels.inferred))
        out.append(
            Feature(need.name, "inferred", f"{from_what} inferred from the motion: {need.coarse or 'less exact'}")
        )
    return out
