"""Write profiles/hollow_ridge: numbers from the faultless lap of the practice circuit, texts by hand.

python tests/tools/make_practice_profile.py [FOLDER]
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
from practice_profile_texts import TEXTS, Text
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from coach.core.columns import Floats
from coach.core.track.reference import Reference
from coach.profile.reference_file import write_reference
from feeds.practice import SAME, Faultless, Places, faultless, hollow_ridge, simulate
from feeds.practice.simulate import SimRun

ROOT = Path(__file__).resolve().parents[2]
HEADER = """\
# Hollow Ridge: corner profile of the practice circuit (invented).
# Places are metres along the reference, from the finish line; boards: metres before turn-in, far to near.
# Edit by hand or with the editor: comments stay. Numbers were filled in by tests/tools/make_practice_profile.py.
"""


class Lap:
    """The faultless lap by its own metres: ``s`` (k,) and the channels over it."""

    def __init__(self, run: SimRun) -> None:
        self.run = run
        t = run.channels["t_s"]
        self.start, self.stop = run.lap_start_s[1], run.lap_start_s[2]
        inside = np.flatnonzero((t > self.start - 0.5) & (t < self.stop + 0.5))
        self.t = t[inside]
        self.columns = {name: values[inside] for name, values in run.channels.items()}
        x, y = self.columns["x_m"], self.columns["y_m"]
        s = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        first, last = np.interp([self.start, self.stop], self.t, s)
        self.s: Floats = s - first
        self.length = float(last - first)
        lap = self.columns["lap"] - 1.0
        self.station: Floats = lap * run.base.circuit.length_m + self.columns["lap_distance_m"]

    def place(self, station_m: float) -> float:
        """Metres along the lap of a station along the centre line; may lie before 0 or beyond the length."""
        turns = math.floor(station_m / self.run.base.circuit.length_m)
        inside = station_m - turns * self.run.base.circuit.length_m
        return float(np.interp(inside, self.station, self.s)) + turns * self.length

    def at(self, name: str, s: Floats) -> Floats:
        """A channel at ``s`` (n,)."""
        value: Floats = np.interp(s, self.s, self.columns[name])
        return value


def reference_of(base: Faultless, lap: Lap) -> Reference:
    """The lap on an even grid of about 1 m."""
    n = round(lap.length)
    step = lap.length / n
    s: Floats = np.arange(n, dtype=np.float64) * step
    points = np.column_stack([lap.at(c, s) for c in ("x_m", "y_m")])
    line = CubicSpline(np.append(s, lap.length), np.vstack([points, points[:1]]), bc_type="periodic")
    (dx, dy), (ddx, ddy) = line(s, 1).T, line(s, 2).T
    t = np.interp(s, lap.s, lap.t) - lap.start
    t[0] = 0.0
    circuit = base.circuit
    station, offset = circuit.project(points, np.interp(s, lap.s, lap.station))
    raw = (dx * ddy - dy * ddx) / np.hypot(dx, dy) ** 3
    return Reference(
        circuit=circuit.name,
        closed=True,
        step_m=step,
        length_m=lap.length,
        lap_time_s=lap.stop - lap.start,
        t_s=t,
        x_m=points[:, 0],
        y_m=points[:, 1],
        z_m=lap.at("z_m", s),
        heading_rad=np.unwrap(np.arctan2(dy, dx)),
        curvature_pm=gaussian_filter1d(raw, 2.0 / step, mode="wrap"),
        speed_mps=lap.at("speed_mps", s),
        throttle=lap.at("throttle", s),
        brake=lap.at("brake", s),
        gear=np.round(lap.columns["gear"][np.clip(np.searchsorted(lap.s, s), 0, len(lap.s) - 1)]),
        left_m=np.maximum(circuit.at(circuit.left_m, station) - offset, 0.0),
        right_m=np.maximum(circuit.at(circuit.right_m, station) + offset, 0.0),
    )


def yaml_of(lap: Lap, reference: Reference, corners: tuple[Places, ...]) -> str:
    """The whole profile as text."""
    lines = [HEADER + "schema: 1", f'circuit: "{reference.circuit}"', f"length_m: {reference.length_m:.3f}",
             "reference: reference.arrow", "corners:"]  # fmt: skip
    for corner in corners:
        lines += _corner(lap, reference, corner, TEXTS[corner.name])
    return "\n".join(lines) + "\n"


def _corner(lap: Lap, reference: Reference, c: Places, text: Text) -> list[str]:
    brake = _pedal_down(reference, lap.place(c.brake_m)) if c.braked else math.nan
    turn_in = lap.place(c.turn_in_m)
    turn_in = turn_in if math.isnan(brake) else max(turn_in, brake)
    apex, end = lap.place(c.apex_m), lap.place(c.end_m)
    exit_ = min(max(lap.place(c.exit_m), apex), end)
    gear = int(np.min(reference.gear[np.arange(int(turn_in), int(exit_) + 1) % len(reference)]))
    out = [f"  # {text.remark}", f"  - name: {c.name}", f"    direction: {c.direction}"]
    out += [f"    brake_m: {brake:.1f}"] if c.braked else []
    places = (("turn_in_m", turn_in), ("apex_m", apex), ("exit_m", exit_), ("end_m", end))
    out += [f"    {name}: {value:.1f}" for name, value in places]
    out += [f"    boards: [{', '.join(map(str, text.boards))}]"] if text.boards else []
    entry, mid, leave = text.kerbs
    out += [f"    gear: {gear}", f"    apex: {text.apex}", f"    kerbs: {{entry: {entry}, apex: {mid}, exit: {leave}}}"]
    if text.cautions:
        out.append("    cautions:")
        for kind, station, words, safety in text.cautions:
            flag = ", safety: true" if safety else ""
            out.append(f'      - {{kind: {kind}, at_m: {lap.place(station):.1f}, words: "{words}"{flag}}}')
    if text.words:
        out += ["    words:", *(f'      - "{words}"' for words in text.words)]
    latest = f"latest_brake_m: {brake + text.later_m:.1f}, " if c.braked else ""
    out.append(f"    limits: {{{latest}widest_exit_offset_m: {text.wider_m:.1f}}}")
    return out


def _pedal_down(reference: Reference, near_m: float) -> float:
    """Where the foot came on the brake: it needs a moment to press it."""
    s = near_m + 3.0
    while s > near_m - 25.0 and float(reference.at("brake", s)) > 0.03:
        s -= 0.1
    return s


def main(folder: Path) -> None:
    """Write ``profile.yaml`` and ``reference.arrow`` into ``folder``."""
    base = faultless(hollow_ridge())
    lap = Lap(simulate(base, 1, rate_hz=1000.0, scatter=SAME, out_lap_m=1200.0))
    reference = reference_of(base, lap)
    folder.mkdir(parents=True, exist_ok=True)
    write_reference(folder / "reference.arrow", reference)
    (folder / "profile.yaml").write_text(yaml_of(lap, reference, base.corners), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "profiles" / "hollow_ridge")
