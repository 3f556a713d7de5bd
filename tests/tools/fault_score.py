"""Findings against truth: what is counted, and the rows of the tables."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from fault_sessions import Truth
from figures import write_figures

from coach.core.columns import Floats
from coach.core.measure.passes import PassRecord
from coach.core.values import Pass

TOLERANCE = defaultdict(lambda: 3.0, brake_soft=0.1, throttle_soft=0.15, slow_middle=0.56, gear_high=0.5, gear_low=0.5)
"""3 m or 2 km/h; shares and gears ours."""
SMALL_S = 0.03
SMALL_SIGMA = 2.0
"""A fault is one to find if it costs more than SMALL_S and than SMALL_SIGMA deviations of what the driver's faultless
passes through that corner lose: what is inside a driver's own scatter no one can tell. Both are the simulation's own
figures (the loss is a difference of times at places), nothing of the diagnosis."""
FEW = 30
"""A row over fewer passes says so."""


@dataclass(frozen=True)
class Hit:
    """One faulty pass: the fault, its cost, what was reported (the costliest first), error of amount, cost ratio."""

    fault: str
    cost_s: float
    names: tuple[str, ...]
    off: float
    ratio: float


@dataclass
class Score:
    """Counts over passes."""

    hits: list[Hit] = field(default_factory=list)
    small: Counter[str] = field(default_factory=Counter)
    false: Counter[str] = field(default_factory=Counter)
    clean: int = 0
    clean_reported: int = 0
    next: int = 0
    next_reported: int = 0
    oversum: int = 0
    broken: int = 0
    truths: int = 0
    lost: int = 0

    def add(self, other: Score) -> None:
        self.hits += other.hits
        self.small.update(other.small)
        self.false.update(other.false)
        for name in ("clean", "clean_reported", "next", "next_reported", "oversum", "broken", "truths", "lost"):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def score_passes(passes: list[tuple[Pass, PassRecord]], truth: list[Truth], show: int = 0) -> Score:
    score = Score()
    pairs = [(p, d) for p, d in passes if d.trace is not None]
    spans = np.array([span(d) for _, d in pairs]).reshape(-1, 2)
    known = [(t, _parts(t, pairs, spans)) for t in truth]
    # in a corner that the survey does not know, or while the coach does not know where the car is
    covered = [(t, parts) for t, parts in known if float(parts.sum()) >= 0.5 * t.cost_s or _free_of_cost(t, parts)]
    score.truths, score.lost = len(truth), len(truth) - len(covered)
    beside = {int(i) + k for _, parts in covered for i in np.flatnonzero(parts > SMALL_S) for k in (0, 1)}
    free: dict[int, list[float]] = defaultdict(list)
    for i, (_, d) in enumerate(pairs):
        if i not in beside:
            free[d.corner].append(d.total_s)
    least = {c: max(SMALL_S, SMALL_SIGMA * float(np.std(x))) for c, x in free.items()}
    hit: dict[int, list[tuple[Truth, float]]] = defaultdict(list)
    for t, parts in covered:
        # a fault belongs to the pass in which it was made, if it shows there; else to the one that paid for it
        there = np.flatnonzero((spans[:, 0] <= t.t_s) & (t.t_s < spans[:, 1]))
        shows = [i for i in there if parts[i] >= least.get(pairs[i][1].corner, SMALL_S)]
        i = int(shows[0] if shows else parts.argmax())
        hit[i].append((t, float(parts[i])))
    for i, (p, d) in enumerate(pairs):
        names = tuple(f.fault for f in sorted(p.findings, key=lambda f: -f.cost_s))
        score.oversum += sum(f.cost_s for f in p.findings) > 1.1 * max(p.loss_s + p.loss_straight_s, 0.0) + 1e-9
        if i not in hit:
            if i in beside:
                score.next += 1
                score.next_reported += bool(names)
                continue
            score.clean += 1
            score.clean_reported += bool(names)
            score.false.update(names)
            if show and names:
                report("FALSE", p, d, None)
            continue
        t, cost_s = max(hit[i], key=lambda one: one[1])
        if cost_s < least.get(d.corner, SMALL_S):
            score.small[t.fault] += 1
            continue
        own = [f for f in p.findings if f.fault == t.fault]
        off, ratio = (own[0].amount - t.amount, own[0].cost_s / cost_s) if own else (np.nan, np.nan)
        score.hits.append(Hit(t.fault, cost_s, names, off, ratio))
        if show and names != (t.fault,):
            show -= 1
            report("WRONG", p, d, t)
    return score


def _free_of_cost(t: Truth, parts: Floats) -> bool:
    """Return whether a fault cost nothing to speak of, though a pass of the coach is there."""
    return t.cost_s < SMALL_S and bool((parts != 0.0).any())


def span(d: PassRecord) -> tuple[float, float]:
    """Return the session times [s] at which a pass begins and the next one does."""
    assert d.trace is not None  # only complete passes are scored
    return d.trace.at("t_s", d.zone.start_m), d.trace.at("t_s", d.zone.next_start_m)


def _parts(t: Truth, pairs: list[tuple[Pass, PassRecord]], spans: Floats) -> Floats:
    """Return what of a fault's cost was lost in each pass [s].

    A corner of the product begins and ends elsewhere than the simulator's, and a line is paid for up to the next one. A
    simulator that knows only the sum has lost it in the pass, of those around the fault, that lost most.
    """
    if t.lost is not None:
        at, late = t.lost
        return np.diff(np.interp(spans, at, late), axis=1)[:, 0]
    out = np.zeros(len(pairs))
    apex = np.array([d.trace.at("t_s", d.zone.apex_m) for _, d in pairs if d.trace is not None])
    near = np.flatnonzero(np.abs(apex - t.t_s) < 5.0)
    if len(near):
        out[max(near, key=lambda i: pairs[i][1].total_s)] = t.cost_s
    return out


def report(word: str, p: Pass, d: PassRecord, t: Truth | None) -> None:
    what = "" if t is None else f"{t.fault} {t.amount:.2f} cost {t.cost_s:.3f}"
    print(f"{word} lap {p.lap} corner {p.corner} {what} loss {p.loss_s + p.loss_straight_s:.3f} =",
          f"e {p.loss_entry_s:.3f} m {p.loss_middle_s:.3f} x {p.loss_exit_s:.3f} s {p.loss_straight_s:.3f}",
          [(f.fault, round(f.amount, 2), round(f.cost_s, 3)) for f in p.findings])  # fmt: skip
    print("      ", {k: round(v, 2) for k, v in d.gaps.items() if v == v})
    base = d.zone.start_m - d.zone.start_m % 1.0
    print("      ", {k: round(v - base, 1) for k, v in msgspec.structs.asdict(d.zone).items() if k.endswith("_m")})


@dataclass(frozen=True)
class Row:
    """One flat record of a table; shares are None where nothing was counted. ``fault`` is a fault, "all",
    or what ``reported`` counts: "faultless" and "next" (reports in passes without a fault, and right after one),
    "above_loss" (passes whose findings cost more than was lost), "lost" (of ``n`` faults driven, those that no pass
    of the coach covers: recall does not count them), "broken" (sessions that the coach failed on)."""

    bench: str
    simulator: str
    set: str
    noise: bool
    rate: float
    fault: str
    n: int
    few: bool
    small: int = 0
    recall: float | None = None
    n_over_01: int = 0
    recall_over_01: float | None = None
    n_over_02: int = 0
    recall_over_02: float | None = None
    precision: float | None = None
    leading_precision: float | None = None
    cost_ratio: float | None = None
    cost_within_20: float | None = None
    amount_off: float | None = None
    amount_within: float | None = None
    reported: int | None = None
    confusion: dict[str, int] = field(default_factory=dict)


def share(of: list[bool]) -> float | None:
    """The share of True; None of nothing."""
    return round(sum(of) / len(of), 4) if of else None


def rows_of(score: Score, bench: str, sim: str, circuits: str, noise: bool, rate: float) -> list[Row]:
    """The rows of a table: each fault, all of them, passes without a fault, passes after one."""
    key = (bench, sim, circuits, noise, rate)
    faults = sorted({h.fault for h in score.hits} | set(score.small))
    rows = [_row(key, f, [h for h in score.hits if h.fault == f], score.small[f]) for f in faults]
    rows.append(_row(key, "all", score.hits, sum(score.small.values())))
    for name, n, reported, what in (
        ("faultless", score.clean, score.clean_reported, dict(score.false)),
        ("next", score.next, score.next_reported, {}),
        ("above_loss", len(score.hits) + score.clean + score.next, score.oversum, {}),
        ("lost", score.truths, score.lost, {}),
        ("broken", len(score.hits) + score.clean + score.next, score.broken, {}),
    ):
        rows.append(Row(*key, name, n, n < FEW, reported=reported, confusion=what))
    return rows


def _row(key: tuple[str, str, str, bool, float], fault: str, hits: list[Hit], small: int) -> Row:
    right = [h for h in hits if h.fault in h.names]
    wrong = sum(name != h.fault for h in hits for name in h.names)
    spoken = [h for h in hits if h.names]
    some, more = ([h.fault in h.names for h in hits if h.cost_s > least] for least in (0.1, 0.2))
    ratios = np.array([h.ratio for h in right])
    offs = [abs(h.off) <= TOLERANCE[h.fault] for h in right]
    others = Counter(name for h in hits for name in (h.names or ("nothing",)) if name != h.fault)
    return Row(
        *key, fault, len(hits), len(hits) < FEW, small, share([h.fault in h.names for h in hits]),
        len(some), share(some), len(more), share(more),
        round(len(right) / (len(right) + wrong), 4) if len(right) + wrong else None,
        share([h.names[0] == h.fault for h in spoken]),
        round(float(np.median(ratios)), 3) if right else None,
        share([bool(abs(r - 1.0) <= 0.2) for r in ratios]),
        round(float(np.median([h.off for h in right])), 3) if right and fault != "all" else None,
        share(offs), confusion=dict(others.most_common()),
    )  # fmt: skip


def print_rows(rows: list[Row]) -> None:
    """The rows as a table of text."""

    def figure(value: float | None) -> str:
        return "  -" if value is None else f"{value:.2f}"

    for r in rows:
        few = " few" if r.few else ""
        if r.reported is not None:
            print(f"{r.fault:13s} n {r.n:4d}{few} reported {r.reported} = {r.reported / max(r.n, 1):.4f} {r.confusion}")
            continue
        print(f"{r.fault:13s} n {r.n:4d}{few:4s} (small {r.small:3d}) recall {figure(r.recall)} "
              f">0.1s {figure(r.recall_over_01)} >0.2s {figure(r.recall_over_02)} precision {figure(r.precision)} "
              f"leading {figure(r.leading_precision)} cost x{figure(r.cost_ratio)} within 20% "
              f"{figure(r.cost_within_20)} amount {figure(r.amount_off)} within {figure(r.amount_within)}  "
              + ("" if r.fault == "all" else " ".join(f"{k}:{v}" for k, v in r.confusion.items())))  # fmt: skip


def records(rows: list[Row]) -> list[dict[str, Any]]:
    """The rows as flat records for a file."""
    return [asdict(r) for r in rows]


def setting_name(noise: bool, rate: float) -> str:
    """How tables and files call a setting."""
    return f"{'noisy' if noise else 'clean'} {rate:g} Hz"


def with_rows(figures: dict[str, Any], rows: list[dict[str, Any]]) -> dict[str, Any]:
    """The rows put into a figures file by simulator, set, setting and fault; rows of other runs stay."""
    for row in rows:
        there = figures.setdefault(row["simulator"], {}).setdefault(row["set"], {})
        there.setdefault(setting_name(row["noise"], row["rate"]), {})[row["fault"]] = row
    return figures


def write_rows(path: Path, rows: list[dict[str, Any]]) -> None:
    """Write the rows into a figures file, which keeps those of other runs."""
    old = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    write_figures(path, with_rows(old, rows))
