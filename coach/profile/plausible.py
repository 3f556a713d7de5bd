"""Warns about implausible entries in a profile without refusing them."""

from __future__ import annotations

from collections.abc import Sequence

from coach.core.values import Corner


def board_warnings(corners: Sequence[Corner], length_m: float, closed: bool = True) -> tuple[str, ...]:
    """Return warnings about boards of ``corners`` (in driving order) outside the straight before them.

    A board stands on the approach: not before the previous corner's end, nor before the start of an open course.
    ``length_m`` is the lap [m].
    """
    out = []
    for i, corner in enumerate(corners):
        before = corners[i - 1]
        if i or closed:
            limit_m = before.end_m - (length_m if i == 0 else 0.0)
            where = f"the end of {before.name}"
        else:
            limit_m, where = 0.0, "the start"
        wrong = [board for board in corner.boards_m if corner.turn_in_m - board < limit_m]
        if wrong:
            named = ", ".join(f"{board:g}" for board in wrong)
            out.append(
                f"{corner.name}: the board at {named} m lies before {where},"
                f" {corner.turn_in_m - limit_m:.0f} m before turn-in; look again"
            )
    return tuple(out)
