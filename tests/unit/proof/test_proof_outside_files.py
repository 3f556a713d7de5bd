"""Laps from a stranger's simulator, as a file, by the commands: the faults put in are the faults found."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "tools"))

from outside_sim import OutsideSim, OutsideTruth

from coach.cli.root import guarded, make_app

CLEAN_LAPS = 5
PUT_IN = (
    (1, "brake_early", 22.0),
    (3, "slow_middle", 2.5),
    (5, "throttle_late", 22.0),
    (1, "brake_soft", 0.35),
    (3, "exit_narrow", 3.0),
    (5, "brake_early", 18.0),
)
"""Corner (of the simulator), fault and amount of one lap each, with a faultless lap between."""
OFF = {"brake_soft": 0.1, "slow_middle": 2.0 / 3.6}
"""Amounts within 3 m or 2 km/h; a share within 0.1."""

MAP = """\
columns:
  t_s: {column: "clock [ms]", unit: ms}
  lap: {column: "Circuit no"}
  x_m: {column: "PosEast [ft]", unit: ft}
  y_m: {column: "PosNorth [ft]", unit: ft}
  speed_mps: {column: "VelTotal [mph]", unit: mph}
  throttle: {column: "Gas [%]", unit: percent}
  brake: {column: "Stop pedal [%]", unit: percent}
"""


def run(*arguments: object) -> None:
    given = [str(a) for a in arguments]
    assert guarded(lambda: make_app(given[0])(args=given)) == 0


def debriefed(
    folder: Path, capsys: pytest.CaptureFixture[str], noise: tuple[float, float], rate: float
) -> tuple[dict[str, Any], list[OutsideTruth], dict[str, np.ndarray]]:
    """Simulate, write in feet, miles an hour and percent under other names, import, survey, debrief."""
    sim = OutsideSim(2)
    faults = {CLEAN_LAPS + 2 * k: [(c, f, a, False)] for k, (c, f, a) in enumerate(PUT_IN)}
    channels, truth = sim.run(faults, CLEAN_LAPS + 2 * len(PUT_IN) + 1, rate, 4, 0.3, noise)
    table = {
        "clock [ms]": channels["t_s"] * 1000.0,
        "Circuit no": channels["lap"] + 1.0,
        "PosEast [ft]": channels["x_m"] / 0.3048 + 9000.0,
        "PosNorth [ft]": channels["y_m"] / 0.3048 - 500.0,
        "VelTotal [mph]": channels["speed_mps"] / 0.44704,
        "Gas [%]": channels["throttle"] * 100.0,
        "Stop pedal [%]": channels["brake"] * 100.0,
    }
    file, session, profile = folder / "log.csv", folder / "session", folder / "profile"
    rounded = pa.table({k: np.round(v, 4) for k, v in table.items()})
    pa_csv.write_csv(rounded, file, pa_csv.WriteOptions(delimiter=";"))
    columns = folder / "columns.yaml"
    columns.write_text(MAP, encoding="utf-8")
    run("import", file, "-o", session, "--map", columns, "--yes")
    run("survey", session, "-o", profile)
    capsys.readouterr()
    run("debrief", session, "--profile", profile, "--json")
    return json.loads(capsys.readouterr().out), truth, channels


@pytest.mark.parametrize(
    ("noise", "rate"), [((0.0, 0.0), 50.0), ((0.3, 0.1), 20.0)], ids=["clean", "0.3 m 0.1 m/s 20 Hz"]
)
def test_faults_of_a_strangers_simulator_are_found_from_its_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], noise: tuple[float, float], rate: float
) -> None:
    """Each fault is named in its own lap, amount and cost (20 % or 30 ms) right; others hold one finding at most."""
    answer, truth, channels = debriefed(tmp_path, capsys, noise, rate)
    laps = answer["laps"]
    found = {lap["lap"]: [f for c in lap["corners"] for f in c["findings"]] for lap in laps}
    in_lap = [int(np.interp(t.t_s, channels["t_s"], channels["lap"])) for t in truth]
    shift = min(found) - int(channels["lap"].min())
    for t, lap in zip(truth, in_lap, strict=True):
        here = found.get(lap + shift, [])
        assert [t.fault] == [f["fault"] for f in here], f"{t} in lap {lap}: {here}"
        assert t.amount == pytest.approx(here[0]["amount"], abs=OFF.get(t.fault, 3.0))
        assert t.cost_s == pytest.approx(here[0]["cost_s"], rel=0.2, abs=0.03)
    faulty = {lap + shift for lap in in_lap}
    others = [f for lap, row in found.items() if lap not in faulty for f in row]
    assert len(others) <= 1, others
