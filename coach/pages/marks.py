"""The driver's marks, described by their corners."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core.track.reference import Reference
from coach.core.values import Corner, Mark


def corner_near(corners: Sequence[Corner], s_m: float, reference: Reference) -> int:
    """Return the corner (of at least one) nearest to a place: the distance is 0 from its brake point, or turn-in, to
    its end.
    """

    def away(corner: Corner) -> float:
        first = min(corner.brake_m, corner.turn_in_m) if corner.brake_m == corner.brake_m else corner.turn_in_m
        shifts = (-1, 0, 1) if reference.closed else (0,)
        places = [s_m + n * reference.length_m for n in shifts]
        return min(max(first - place, place - corner.end_m, 0.0) for place in places)

    return min(range(len(corners)), key=lambda i: away(corners[i]))


def mark_lines(marks: Sequence[Mark], corners: Sequence[Corner], reference: Reference) -> tuple[str, ...]:
    """Return one line per mark: its name, place, lap and corner."""
    if not corners:
        return ()
    near = [corners[corner_near(corners, m.s_m, reference)].name for m in marks]
    return tuple(f"{m.name}: {m.s_m:.0f} m, lap {m.lap}, at {name}" for m, name in zip(marks, near, strict=True))
