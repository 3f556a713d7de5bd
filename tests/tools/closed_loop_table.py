"""Results of the closed loop: one driver's laps, the table of all of them, and the picture."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

CONDITIONS = ("alone", "product", "costliest", "everything short", "everything", "debrief", "bar")
NAMES = {
    "alone": "no coach",
    "product": "this coach",
    "costliest": "the costliest finding, every other lap",
    "everything short": "says everything, short words",
    "everything": "says everything at each corner",
    "debrief": "a debrief every six laps",
    "bar": "a delta bar",
    "ideal": "knows the habits",
}


@dataclass
class Lesson:
    """One driver in one condition: lap times [s], messages and corrections a lap, what became of them."""

    circuit: str
    seed: int
    condition: str
    reference_s: float
    laps: int
    times: list[float]
    cues: float = 0.0
    corrections: float = 0.0
    left: float = 1.0
    kept: float = 1.0
    log: dict[str, int] = field(default_factory=dict)
    kind: str = "usual"
    start: float = float("nan")
    """Gap of the first two laps of the same driver alone [s]; not given: his own first two."""

    @property
    def gaps(self) -> np.ndarray:
        """Gap to the reference, lap by lap [s]."""
        return np.array(self.times) - self.reference_s

    @property
    def first(self) -> float:
        """Gap of the first two laps alone."""
        return self.start if self.start == self.start else float(np.mean(self.gaps[:2]))

    @property
    def final(self) -> float:
        """Gap of the last three laps with the coach."""
        return float(np.median(self.gaps[max(self.laps - 3, 0) : self.laps]))

    @property
    def silent(self) -> float:
        """Gap of the last three laps of silence."""
        return float(np.median(self.gaps[-3:]))

    @property
    def halved(self) -> int:
        """Laps until the gap was halved; LAPS + 1 when it never was."""
        gaps = self.gaps[: self.laps]
        rolling = [float(np.median(gaps[i : i + 3])) for i in range(len(gaps) - 2)]
        return next((i + 1 for i, g in enumerate(rolling) if g <= 0.5 * self.first), self.laps + 1)

    @property
    def halved_min(self) -> float:
        """The same in minutes of driving."""
        return float(np.sum(self.times[: self.halved])) / 60.0 if self.halved <= self.laps else float("inf")


MEASURES: tuple[tuple[str, str, str], ...] = (
    ("first", "gap first s", ".2f"),
    ("halved", "laps to half", ".0f"),
    ("halved_min", "min to half", ".1f"),
    ("final", "gap final s", ".2f"),
    ("silent", "gap silent s", ".2f"),
    ("cues", "messages a lap", ".1f"),
    ("corrections", "corrections a lap", ".1f"),
)


def interval(values: np.ndarray, draws: int = 2000) -> tuple[float, float]:
    """95 % bootstrap interval of the median (Efron & Tibshirani 1993, percentile method)."""
    rng = np.random.default_rng(1)
    medians = np.median(values[rng.integers(len(values), size=(draws, len(values)))], axis=1)
    low, high = np.percentile(medians, [2.5, 97.5], method="nearest")
    return float(low), float(high)


def cell(values: np.ndarray, form: str) -> str:
    """Median, quartiles, interval of the median; what never happened is written as never."""

    def text(x: float) -> str:
        return "never" if not np.isfinite(x) else format(x, form)

    low, high = interval(values)
    quartiles = np.percentile(values, [25, 50, 75], method="nearest")
    return f"{text(quartiles[1])} ({text(quartiles[0])}..{text(quartiles[2])}) [{text(low)}..{text(high)}]"


def groups(lessons: list[Lesson]) -> dict[str, list[Lesson]]:
    """Circuit by circuit, each kind of driver, and all."""
    out: dict[str, list[Lesson]] = {}
    for one in lessons:
        out.setdefault(one.circuit, []).append(one)
    for one in lessons:
        out.setdefault(one.kind, []).append(one)
    return {**out, "all": lessons}


def rate(group: list[Lesson], what: str) -> float:
    """Share of all cues to these drivers; 0 without any."""
    asked = sum(o.log.get("asked", 0) for o in group)
    return sum(o.log.get(what, 0) for o in group) / asked if asked else 0.0


def table(lessons: list[Lesson]) -> str:
    """One row per circuit and condition, per kind of driver, and all together."""
    lines = ["median (quartiles) [95 % bootstrap interval of the median]"]
    for circuit, those in groups(lessons).items():
        for condition in dict.fromkeys(one.condition for one in lessons):
            group = [o for o in those if condition == o.condition]
            if not group:
                continue
            cells = []
            for name, title, form in MEASURES:
                values = np.array([float(getattr(o, name)) for o in group])
                if name == "halved":
                    values = np.where(values > group[0].laps, np.inf, values)
                cells.append(f"{title} {cell(values, form)}")
            done = sum(o.halved <= o.laps for o in group)
            cells.append(f"asked wrongly {rate(group, 'asked wrongly'):.0%}, over 8 s ahead"
                         f" {rate(group, 'over 8 s ahead'):.0%}")  # fmt: skip
            lines.append(f"{circuit:14s} {condition:16s} halved {done:3d}/{len(group):<3d} | " + " | ".join(cells))
    lines += [text for other in NAMES if other != "product" and (text := compared(lessons, other))]
    return "\n".join(lines)


def figures(lessons: list[Lesson]) -> dict[str, object]:
    """Medians for the figures file: condition -> what, for all drivers and by group, and the product's comparisons."""
    out: dict[str, object] = {"drivers": len({(o.circuit, o.seed) for o in lessons}), "laps": lessons[0].laps}
    for name, those in groups(lessons).items():
        rows = {}
        for condition in dict.fromkeys(o.condition for o in those):
            group = [o for o in those if o.condition == condition]
            row: dict[str, float] = {
                what: float(np.median([float(getattr(o, what)) for o in group]))
                for what in ("first", "final", "silent", "cues", "corrections")
            }
            row |= {"drivers": len(group), "halved": sum(o.halved <= o.laps for o in group),
                    "wrong_share": rate(group, "asked wrongly"),
                    "early_share": rate(group, "over 8 s ahead")}  # fmt: skip
            rows[condition] = row
        out[name] = rows
    out["product against"] = {
        other: gains for other in NAMES if other != "product" and (gains := gained(lessons, other)) is not None
    }
    return out


def gained(lessons: list[Lesson], other: str) -> dict[str, float] | None:
    """By how much [s] the product's gaps are smaller than another condition's, driver by driver; None without both."""
    pairs = _pairs(lessons, other)
    if not pairs:
        return None
    out: dict[str, float] = {}
    for name in ("final", "silent"):
        gain = np.array([getattr(b, name) - getattr(a, name) for a, b in pairs])
        low, high = interval(gain)
        out |= {f"{name}_smaller_by": float(np.median(gain)), f"{name}_low": low, f"{name}_high": high,
                f"{name}_share": float(np.mean(gain > 0))}  # fmt: skip
    return out


def _pairs(lessons: list[Lesson], other: str) -> list[tuple[Lesson, Lesson]]:
    """The same driver with the product and in another condition."""
    by = {(o.circuit, o.seed, o.condition): o for o in lessons}
    return [(o, by[o.circuit, o.seed, other]) for o in lessons if o.condition == "product"
            and (o.circuit, o.seed, other) in by]  # fmt: skip


def compared(lessons: list[Lesson], other: str) -> str:
    """The product against another condition, driver by driver."""
    pairs = _pairs(lessons, other)
    if not pairs:
        return ""
    parts = []
    for name in ("final", "silent"):
        gain = np.array([getattr(b, name) - getattr(a, name) for a, b in pairs])
        parts.append(f"{name} gap smaller by {cell(gain, '+.2f')} s, for {np.mean(gain > 0):.0%} of the drivers")
    sooner = np.mean([a.halved < b.halved for a, b in pairs])
    later = np.mean([a.halved > b.halved for a, b in pairs])
    return f"product against {other}: {'; '.join(parts)}; halved sooner for {sooner:.0%}, later for {later:.0%}"


STYLE = {
    "alone": ("#000000", "--", "o"),
    "product": ("#0072B2", "-", "s"),
    "everything": ("#D55E00", ":", "^"),
    "ideal": ("#009E73", "-.", "D"),
    "costliest": ("#CC79A7", "-", "v"),
    "everything short": ("#E69F00", ":", "<"),
    "debrief": ("#56B4E9", "--", ">"),
    "bar": ("#999999", "-.", "x"),
}
"""Okabe-Ito colours (Wong 2011, Nature Methods), each with its own line and mark."""


def picture(lessons: list[Lesson], path: Path) -> None:
    """Gap over laps: median of all drivers with quartiles, and the lap from which the coach is silent."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(8.0, 4.5), dpi=100, layout="constrained")
    laps = lessons[0].laps
    for condition in NAMES:
        group = np.array([o.gaps / o.first for o in lessons if o.condition == condition])
        if not len(group):
            continue
        colour, line, mark = STYLE[condition]
        x = np.arange(1, group.shape[1] + 1)
        low, middle, high = np.percentile(group, [25, 50, 75], axis=0)
        axes.fill_between(x, low, high, color=colour, alpha=0.12, linewidth=0)
        axes.plot(x, middle, color=colour, linestyle=line, marker=mark, markersize=5, label=NAMES[condition])
    axes.axvline(laps + 0.5, color="#555555", linewidth=1)
    axes.annotate("silence from here on", (laps + 0.6, 0.04), fontsize=9, color="#333333")
    axes.axhline(0.5, color="#555555", linewidth=0.8, linestyle=(0, (1, 3)))
    axes.set(xlabel="lap", ylabel="gap to the reference, share of the first two laps", ylim=(0.0, 1.3))
    drivers = len({(o.circuit, o.seed) for o in lessons})
    axes.set_title(f"Simulated learners: {drivers} drivers, median and quartiles", fontsize=11)
    axes.legend(frameon=False, loc="upper right")
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Software": None})
    pyplot.close(figure)
