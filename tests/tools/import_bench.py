"""How often columns without telling names are known by their values, on circuits that nothing was tuned on.

    python tests/tools/import_bench.py [CIRCUITS]

Each file holds time, speed, place, pedals and gear of a simulated car among columns that are none (engine speed, fuel,
temperature, noise, lateral acceleration, a row number), all named without meaning and in shuffled order. Right: the
field's own column. Wrong: another one. Open: left out, the user gives a column map.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np
from generated_circuits import generated_circuit

from feeds.frame import Frame
from feeds.importers.convert import read_table
from feeds.importers.guess import guess_columns
from feeds.practice import Noise, Scatter, faultless, simulate

FIRST_SEED = 40
FIELDS = ("t_s", "speed_mps", "x_m", "y_m", "throttle", "brake", "gear")


def columns_of(frames: list[Frame], rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Field (or what it is) -> values as a logger may write them."""
    take = {name: np.array([getattr(f, name) for f in frames], dtype=float) for name in FIELDS}
    n, t, v = len(frames), take["t_s"], take["speed_mps"]
    course = np.unwrap(np.arctan2(np.gradient(take["y_m"]), np.gradient(take["x_m"])))
    take |= {
        "engine speed": 1500.0 + 5000.0 * (v / 12.0 % 1.0),
        "fuel": 60.0 - t / 90.0 + rng.normal(0, 0.05, n),
        "temperature": 85.0 + np.cumsum(rng.normal(0, 0.02, n)),
        "noise": rng.uniform(0, 100, n),
        "lateral": v * np.gradient(course, t) / 9.81,
        "row": np.arange(n, dtype=float),
    }
    return take | {"speed_mps": v * 3.6, "throttle": take["throttle"] * 100.0}


def judge(folder: Path, seed: int, rate_hz: float, noise_m: float) -> Counter[str]:
    """One file: counts of right, wrong and open over its fields."""
    base = faultless(generated_circuit(seed, 3200.0))
    noise = Noise(position_m=noise_m) if noise_m else None
    run = simulate(base, 3, rate_hz=rate_hz, seed=seed, scatter=Scatter(1.0, 0.1, 0.1), noise=noise)
    rng = np.random.default_rng(seed)
    take = columns_of(list(run.frames()), rng)
    # x stays before y: which axis is which no value tells, and loggers write them in this order (common practice)
    order = list(rng.permutation([k for k in take if k != "y_m"]))
    order.insert(order.index("x_m") + 1, "y_m")
    named = {f"k{i}": key for i, key in enumerate(order)}
    path = folder / "log.csv"
    rows = np.array([take[key] for key in order]).T
    lines = [",".join(named), *(",".join("" if v != v else f"{v:.3f}" for v in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n")
    found = {g.field: named[g.column] for g in guess_columns(read_table(path))}
    counts = Counter({"right": 0, "wrong": 0, "open": 0})
    for field in FIELDS:
        counts["open" if field not in found else "right" if found[field] == field else "wrong"] += 1
    counts["wrong"] += len(found.keys() - set(FIELDS))
    for field in FIELDS:
        if found.get(field) != field:
            counts[f"{field} {'wrong' if field in found else 'open'}"] += 1
    return counts


def main() -> None:
    """Print a row for each rate and noise."""
    circuits = int(sys.argv[1]) if len(sys.argv) > 1 else 6
    with tempfile.TemporaryDirectory() as folder:
        for rate_hz, noise_m in ((60.0, 0.0), (20.0, 0.0), (10.0, 0.0), (10.0, 0.3)):
            total: Counter[str] = Counter()
            for seed in range(FIRST_SEED, FIRST_SEED + circuits):
                total += judge(Path(folder), seed, rate_hz, noise_m)
            rest = {k: v for k, v in sorted(total.items()) if k not in ("right", "wrong", "open")}
            shown = ", ".join(f"{k} {v}" for k, v in rest.items())
            print(
                f"{rate_hz:3.0f} Hz, {noise_m:.1f} m: right {total['right']}, wrong {total['wrong']}, "
                f"open {total['open']} of {circuits * len(FIELDS)}{'; ' + shown if shown else ''}",
                flush=True,
            )


if __name__ == "__main__":
    main()
