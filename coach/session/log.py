"""The decision log: one JSON object per line, the same from a live run and from its replay.

Keys: t_s, lap, s_m, corner, rule, outcome, reason, text, ends_t_s, action_t_s; then family, fault and slot where they
are set. Times are rounded to 3 decimals, places to 2; an unknown time is null.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Final, Literal

import msgspec

from coach.core.values import Decision
from coach.errors import SessionError
from coach.files import write_atomically

_json = msgspec.json.Encoder()


class _Line(msgspec.Struct):
    t_s: float
    lap: int
    s_m: float | None
    corner: str
    rule: str
    outcome: str
    reason: str
    text: str
    ends_t_s: float | None
    action_t_s: float | None
    family: str = ""
    fault: str = ""
    slot: str = ""


_line = msgspec.json.Decoder(_Line)


def _round(value: float, digits: int) -> float | None:
    # the sum turns -0.0 into 0.0
    return round(value, digits) + 0.0 if math.isfinite(value) else None


def decision_line(decision: Decision) -> str:
    """Return the log line of ``decision``, without the line end."""
    fields: dict[str, object] = {
        "t_s": _round(decision.t_s, 3),
        "lap": decision.lap,
        "s_m": _round(decision.s_m, 2),
        "corner": decision.corner,
        "rule": decision.rule,
        "outcome": decision.outcome,
        "reason": decision.reason,
        "text": decision.text,
        "ends_t_s": _round(decision.ends_t_s, 3),
        "action_t_s": _round(decision.action_t_s, 3),
    }
    if decision.family:
        fields["family"] = decision.family
    if decision.fault:
        fields["fault"] = decision.fault
    if decision.slot == "asked":
        fields["slot"] = decision.slot
    return _json.encode(fields).decode()


_OUTCOMES: Final[dict[str, Literal["spoken", "held", "sounded"]]] = {
    "spoken": "spoken", "held": "held", "sounded": "sounded",
}  # fmt: skip


def decision_of(line: str | bytes, place: str = "decision log") -> Decision:
    """Return the decision of a log line; raise SessionError at ``place`` for another line."""
    try:
        read = _line.decode(line)
    except (msgspec.MsgspecError, UnicodeError, RecursionError) as error:
        raise SessionError(place, f"not a decision: {error}") from error
    outcome = _OUTCOMES.get(read.outcome)
    if outcome is None:
        raise SessionError(place, f"outcome: expected one of {', '.join(_OUTCOMES)}; found {read.outcome!r}")
    nan = math.nan
    return Decision(
        t_s=read.t_s,
        lap=read.lap,
        s_m=nan if read.s_m is None else read.s_m,
        corner=read.corner,
        rule=read.rule,
        outcome=outcome,
        reason=read.reason,
        text=read.text,
        ends_t_s=nan if read.ends_t_s is None else read.ends_t_s,
        action_t_s=nan if read.action_t_s is None else read.action_t_s,
        family=read.family,
        fault=read.fault,
        slot=read.slot,
    )


def write_log(path: Path, decisions: Iterable[Decision]) -> None:
    """Write a log, whole or not at all. Raise SessionError on failure."""
    try:
        write_atomically(path, "".join(decision_line(d) + "\n" for d in decisions).encode())
    except OSError as error:
        raise SessionError(str(path), f"the decision log cannot be written ({error.strerror})") from error


def read_lines(path: Path) -> Iterator[tuple[int, str]]:
    """Yield number and text of each whole line; skip a cut last line. Raise SessionError if unreadable."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SessionError(str(path), f"cannot be read ({error.strerror})") from error
    whole = data[: data.rfind(b"\n") + 1]
    for number, line in enumerate(whole.decode("utf-8", errors="replace").split("\n"), start=1):
        if line.strip():
            yield number, line


def read_log(path: Path) -> list[Decision]:
    """Return all decisions of a log; raise SessionError with file and line of an invalid one."""
    return [decision_of(line, f"{path}:{number}") for number, line in read_lines(path)]
