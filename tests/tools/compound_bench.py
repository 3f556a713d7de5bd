"""Is the corner finder right where corners run into each other, on any receiver: counts over compound circuits.

Each circuit is driven for LAPS laps by the simple car of ``survey_tracks`` and recorded in each of SETTINGS: by a
simulator at 60 Hz (clean, or 0.3 m and 0.1 m/s of noise) and at 10 Hz, and by a receiver that measures 10 times a
second with that noise, has neither pedals nor a lap count, and whose samples come as they are, or filled up: by
straight lines to 25 Hz, by a cubic spline to 60 Hz, or by repetition to 60 Hz.

A corner is *found* if the survey has an apex on its side within its stretch; each of the survey's corners counts for
one at most, what is left over is *invented*. *Melted* are the missed ones of a unit of which another corner was
found, and that have a braking of their own.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Final

import numpy as np
from compound_circuits import DOUBLE, TWO, Compound, compound_circuit
from scipy.interpolate import CubicSpline
from survey_tracks import Track, drive

from coach.core.columns import Columns
from coach.survey import Survey, survey

DEVELOPMENT: Final = tuple(range(1, 21))
SEALED: Final = tuple(range(1001, 1061))
SETS: Final = {"development": DEVELOPMENT, "sealed": SEALED}
LAPS: Final = 5
SETTINGS: Final = (
    "clean 60 Hz", "clean 10 Hz", "0.3 m 60 Hz", "receiver 10 Hz", "filled by lines to 25 Hz",
    "filled by spline to 60 Hz", "held to 60 Hz",
)  # fmt: skip
_MEASURED: Final = ("x_m", "y_m", "speed_mps")


@dataclass
class Tally:
    """Counts of corners; ``lines`` names each miss and invention."""

    corners: int = 0
    found: int = 0
    two_brakings: int = 0
    two_brakings_found: int = 0
    melted: int = 0
    invented: int = 0
    double_apexes: int = 0
    double_apexes_found: int = 0
    apexes_invented: int = 0
    thinned: int = 0
    surveys: int = 0
    lines: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take in another tally."""
        for f in fields(self):
            setattr(self, f.name, getattr(self, f.name) + getattr(other, f.name))

    def record(self) -> dict[str, int]:
        """The counts alone."""
        return {f.name: getattr(self, f.name) for f in fields(self) if f.name != "lines"}

    def __str__(self) -> str:
        share = 100 * self.found / max(self.corners, 1)
        return (
            f"found {self.found} of {self.corners} ({share:.1f} %), of two brakings {self.two_brakings_found} of"
            f" {self.two_brakings}, melted {self.melted}, invented {self.invented}, both apexes of"
            f" {self.double_apexes_found} of {self.double_apexes} double ones, apexes invented {self.apexes_invented},"
            f" thinned {self.thinned} of {self.surveys}"
        )


def recorded(track: Track, setting: str, seed: int) -> Columns:
    """The laps as a setting records them."""
    if setting.startswith("clean"):
        return drive(track, LAPS, 60.0 if "60" in setting else 10.0, lateral=1.0, seed=seed).columns
    if setting == "0.3 m 60 Hz":
        return drive(track, LAPS, 60.0, noise=0.3, speed_noise=0.1, lateral=1.0, seed=seed).columns
    c = drive(track, LAPS, 10.0, noise=0.3, speed_noise=0.1, lateral=1.0, seed=seed).columns
    for name in ("lap", "lap_distance_m", "throttle", "brake", "gear"):
        c[name][:] = np.nan
    if setting == "receiver 10 Hz":
        return c
    return refilled(c, 25.0 if "25" in setting else 60.0, setting)


def refilled(c: Columns, rate_hz: float, how: str) -> Columns:
    """The measured channels of ``c`` at a higher rate: by "lines", "spline", or else held."""
    t = c["t_s"]
    out = Columns.empty(int((t[-1] - t[0]) * rate_hz))
    out["t_s"][:] = t[0] + np.arange(len(out)) / rate_hz
    for name in _MEASURED:
        if "lines" in how:
            out[name][:] = np.interp(out["t_s"], t, c[name])
        elif "spline" in how:
            out[name][:] = CubicSpline(t, c[name])(out["t_s"])
        else:
            out[name][:] = c[name][np.searchsorted(t, out["t_s"] + 1e-9, side="right") - 1]
    return out


def score(made: Survey, truth: Compound, name: str) -> Tally:
    """Match the survey's corners with the true ones, in driving order."""
    track, r = truth.track, made.reference
    places = []
    for c in made.corners:
        x, y = float(r.at("x_m", c.apex_m)), float(r.at("y_m", c.apex_m))
        places.append(float(track.s[np.argmin(np.hypot(track.x - x, track.y - y))]))
    tally = Tally(corners=len(truth.corners), surveys=1, thinned=any("filled in" in note for note in made.notes))
    used: set[int] = set()
    missed = []
    for true in truth.corners:
        middle = 0.5 * (true.start_m + true.stop_m)
        half = 0.5 * (true.stop_m - true.start_m)
        hits = [
            i for i, s in enumerate(places)
            if i not in used and made.corners[i].direction == true.direction
            and abs((s - middle + 0.5 * track.length) % track.length - 0.5 * track.length) <= half
        ]  # fmt: skip
        tally.two_brakings += true.kind == TWO
        if hits:
            used.add(hits[0])
            tally.found += 1
            apexes = len(made.corners[hits[0]].apexes_m)
            wanted = 2 if true.kind == DOUBLE else 1
            tally.double_apexes += true.kind == DOUBLE
            tally.double_apexes_found += true.kind == DOUBLE and apexes == 2
            tally.apexes_invented += max(apexes - wanted, 0)
            if apexes != wanted:
                tally.lines.append(f"{name}: {apexes} apexes of {true.kind} {true.start_m:.0f} to {true.stop_m:.0f} m")
            tally.two_brakings_found += true.kind == TWO
        else:
            missed.append(true)
            tally.lines.append(f"{name}: missed {true.kind} {true.direction} {true.start_m:.0f} to {true.stop_m:.0f} m")
    alone = {true.unit for true in missed}
    both = [u for u in alone if sum(t.unit == u for t in missed) == sum(t.unit == u for t in truth.corners)]
    tally.melted = sum(true.unit not in both and true.kind == TWO for true in missed)
    tally.invented = len(places) - len(used)
    tally.lines += [
        f"{name}: invented {made.corners[i].direction} at {s:.0f} m" for i, s in enumerate(places) if i not in used
    ]
    return tally


def one(seed: int) -> dict[str, Tally]:
    """One circuit in every setting."""
    truth = compound_circuit(seed)
    return {
        setting: score(survey(recorded(truth.track, setting, seed)), truth, f"circuit {seed}, {setting}")
        for setting in SETTINGS
    }
