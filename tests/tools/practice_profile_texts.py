"""Hand-written texts about Hollow Ridge; the numbers come from the simulated lap.

Cautions have stations along the drawn centre line; the maker converts them to places along the reference.
"""

from __future__ import annotations

from dataclasses import dataclass, field

HEAVY = (150, 100, 50)


@dataclass(frozen=True)
class Text:
    """One corner's texts: remark, boards, apex kind, kerbs (entry, apex, exit), words, cautions, limits.

    ``cautions`` (kind, station [m], words, safety); ``later_m`` how far behind the usual brake point no advice
    may go; ``wider_m`` how far outside the line at the exit.
    """

    remark: str
    apex: str
    kerbs: tuple[str, str, str]
    words: tuple[str, ...] = ()
    boards: tuple[int, ...] = ()
    cautions: tuple[tuple[str, float, str, bool], ...] = field(default=())
    later_m: float = 0.0
    wider_m: float = 1.0


TEXTS = {
    "Quarry": Text(
        "Heavy braking down the hill, the tightest way to lose the nose.",
        "mid", ("avoid", "use", "touch"), ("downhill, brake earlier", "ease off the brake"), HEAVY,
        (("track_limit", 392.0, "don't run wide", False),), 6.0, 0.8,
    ),
    "Gorse": Text(
        "Leads straight into Larch: its exit is Larch's entry.",
        "mid", ("avoid", "use", "avoid"), ("stay mid-track", "sets up Larch"), (), (), 5.0, 0.5,
    ),
    "Larch": Text(
        "The exit matters: a climb follows.",
        "late", ("avoid", "use", "use"), ("early on the power",), (), (), 5.0, 1.0,
    ),
    "Beacon": Text(
        "Hairpin at the top of the climb; the inside kerb is a sausage.",
        "late", ("avoid", "avoid", "use"), ("uphill, brake later", "turn in late"), HEAVY,
        (("kerb", 835.0, "sausage kerb inside", False),), 6.0, 1.0,
    ),
    "Weir": Text(
        "Long and steady, one angle of the wheel.",
        "late", ("avoid", "touch", "use"), ("wait for the apex",), (), (), 5.0, 1.0,
    ),
    "Kestrel": Text(
        "Light and fast: a dab of brake, then full throttle early.",
        "mid", ("avoid", "use", "touch"), ("dab the brake", "trust the grip"), (),
        (("track_limit", 1500.0, "fast exit, watch the limits", True),), 4.0, 0.6,
    ),
    "Sluice In": Text(
        "First half of the chicane; the crest before it makes the car light.",
        "mid", ("avoid", "use", "avoid"), ("brake in a straight line",), (50,),
        (("crest", 1650.0, "crest, car goes light", True),), 5.0, 0.5,
    ),
    "Sluice Out": Text(
        "Second half: a long straight follows.",
        "late", ("avoid", "use", "use"), ("early on the power",), (), (), 4.0, 1.0,
    ),
    "Cauldron": Text(
        "Two apexes: let the car run out between them, the second one counts.",
        "late", ("avoid", "touch", "use"), ("ease off the brake", "wait for the second apex"), HEAVY,
        (("bump", 2330.0, "bump mid-corner", False),), 5.0, 1.0,
    ),
    "Tollgate": Text(
        "From top speed up the hill: the hill brakes with you.",
        "mid", ("avoid", "avoid", "use"), ("uphill, brake later",), HEAVY,
        (("kerb", 3310.0, "sausage kerb inside", False),), 8.0, 1.0,
    ),
    "Signal": Text(
        "The last corner makes the main straight.",
        "late", ("avoid", "use", "touch"), ("ease off the brake", "stay mid-track"), HEAVY,
        (("track_limit", 3905.0, "don't run wide", False),), 6.0, 0.8,
    ),
}  # fmt: skip
