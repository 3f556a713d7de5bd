"""Hollow Ridge, the invented circuit of the practice feed: 4.03 km, eleven corners, 30 m of height."""

from __future__ import annotations

from functools import cache

from feeds.practice.circuit import Circuit, Kerb
from feeds.practice.segments import Segment, circuit_from_pieces

NAME = "Hollow Ridge"
LINE_AT_M = 40.0  # from the start of the first piece


def _straight(length_m: float) -> Segment:
    return Segment(length_m=length_m)


def _arc(corner: str, radius_m: float, turn_deg: float) -> Segment:
    return Segment(radius_m=radius_m, turn_deg=turn_deg, corner=corner)


PIECES = (
    _straight(340.0),
    _arc("Quarry", 34.0, -95.0),  # heavy braking downhill
    _straight(85.5),
    _arc("Gorse", 62.0, 55.0),  # leads into Larch
    _straight(35.2),
    _arc("Larch", 44.0, -60.0),
    _straight(232.5),
    _arc("Beacon", 12.4, 180.0),  # hairpin: the track comes back 29 m beside itself
    _straight(143.3),
    _arc("Weir", 60.0, -155.0),
    _straight(171.7),
    _arc("Kestrel", 120.0, -50.0),  # light and fast
    _straight(282.1),  # with a crest
    _arc("Sluice In", 34.0, 50.0),
    _straight(24.0),
    _arc("Sluice Out", 34.0, -50.0),
    _straight(401.9),
    _arc("Cauldron", 80.0, -60.0),  # long, two apexes
    _arc("Cauldron", 180.0, -30.0),
    _arc("Cauldron", 60.0, -65.0),
    _straight(847.6),
    _arc("Tollgate", 30.0, 65.0),  # heavy braking uphill
    _straight(390.0),
    _arc("Signal", 48.0, -145.0),
    _straight(150.0),
)

HEIGHTS = (
    (0.0, 22.0), (110.0, 20.5), (300.0, 9.5), (370.0, 7.0), (480.0, 5.6), (600.0, 6.4), (700.0, 11.0),
    (815.0, 17.0), (960.0, 20.0), (1120.0, 22.5), (1250.0, 23.0), (1380.0, 20.0), (1500.0, 16.0),
    (1560.0, 15.4), (1620.0, 15.2), (1680.0, 12.6), (1780.0, 8.5), (2000.0, 1.5), (2200.0, -3.5),
    (2330.0, -5.5), (2460.0, -6.0), (2700.0, -5.0), (2950.0, -1.0), (3080.0, 3.0), (3290.0, 14.0),
    (3380.0, 17.5), (3550.0, 20.0), (3750.0, 22.0), (3900.0, 22.8),
)  # fmt: skip

KERBS = (
    Kerb(305.0, 350.0, "right", "flat"),
    Kerb(365.0, 425.0, "left", "flat"),
    Kerb(445.0, 500.0, "left", "sawtooth"),
    Kerb(540.0, 585.0, "right", "flat"),
    Kerb(590.0, 660.0, "left", "flat"),
    Kerb(820.0, 850.0, "left", "sausage", 0.6),
    Kerb(865.0, 920.0, "right", "flat"),
    Kerb(1040.0, 1150.0, "right", "flat"),
    Kerb(1165.0, 1225.0, "left", "flat"),
    Kerb(1370.0, 1415.0, "right", "sawtooth"),
    Kerb(1475.0, 1545.0, "left", "flat"),
    Kerb(1720.0, 1750.0, "left", "sawtooth"),
    Kerb(1775.0, 1805.0, "right", "sawtooth"),
    Kerb(1815.0, 1875.0, "left", "flat"),
    Kerb(2225.0, 2295.0, "right", "flat"),
    Kerb(2400.0, 2445.0, "right", "flat"),
    Kerb(2465.0, 2545.0, "left", "flat"),
    Kerb(3297.0, 3333.0, "left", "sausage", 0.6),
    Kerb(3350.0, 3415.0, "right", "flat"),
    Kerb(3755.0, 3835.0, "right", "flat"),
    Kerb(3855.0, 3935.0, "left", "flat"),
)


@cache
def hollow_ridge() -> Circuit:
    """Return the circuit (built once per process)."""
    return circuit_from_pieces(NAME, PIECES, half_width_m=6.0, line_at_m=LINE_AT_M, heights=HEIGHTS, kerbs=KERBS)
