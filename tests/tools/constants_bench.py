"""Whether anything notices when a constant of the condition, the rules or the weighing of causes moves by 30 %.

python tests/tools/constants_bench.py                 every constant, up and down, against the tests that watch them
python tests/tools/constants_bench.py --only STEADY   one of them
python tests/tools/constants_bench.py --comparison --cache FOLDER   those of the comparison with simulated faults,
    against the fault bench on the tuning circuits: what recall, precision and false reports change by, in points

A constant that no test notices is to be deleted, or a test is missing; of the comparison, one that changes no figure by
NOTICED points. Each run is its own process: the constant is changed before anything else imports it.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from importlib import import_module
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

CONSTANTS: Final = (
    "coach.core.diagnose.condition:STEADY",
    "coach.core.diagnose.condition:ALIKE",
    "coach.core.diagnose.condition:ODD",
    "coach.core.diagnose.condition:PUSHES",
    "coach.core.diagnose.condition:ANOTHER_CAR",
    "coach.core.diagnose.condition:_USUAL",
    "coach.core.diagnose.condition:_LEAST",
    "coach.core.diagnose.condition:_MOST",
    "coach.core.measure.grip_shares:OVER_M",
    "coach.core.measure.grip_shares:NOISY_M",
    "coach.core.diagnose.judging:STEP",
    "coach.core.diagnose.case:LIMIT",
    "coach.core.diagnose.vetoes:LINE",
    "coach.core.diagnose.vetoes:WIDE",
    "coach.core.diagnose.belief:TAIL",
    *(f"coach.core.diagnose.exit_phase:{name}" for name in ("GEAR", "SLOWER")),
    *(f"coach.core.diagnose.pricing:{name}" for name in ("DOUBT", "MAX_COST_SHARE")),
    *(f"coach.core.diagnose.case:{name}" for name in ("COST_S", "CERTAIN_TOLERANCES", "MEASURABLE_MPS")),
    "coach.survey.envelope.known:AGREE",
    "coach.survey.envelope.known:HARD",
    "coach.survey.envelope.known:PRESSED",
)
WATCH: Final = (
    "tests/unit/core_diagnosis/test_diag_condition.py",
    "tests/unit/core_diagnosis/test_diag_rescaled.py",
    "tests/unit/core_diagnosis/test_diag_belief.py",
    "tests/unit/core_diagnosis/test_diag_judging.py",
    "tests/unit/survey/test_survey_envelope.py",
    "tests/unit/core_diagnosis/test_diag_vetoes.py",
    "tests/unit/core_diagnosis/test_diag_faults.py",
    "tests/unit/core_diagnosis/test_diag_double_apex.py",
    "tests/unit/core_diagnosis/test_diag_filled.py",
)
COMPARISON: Final = (
    "coach.core.diagnose.belief:MODEL",
    *(f"coach.core.diagnose.explain:{name}" for name in ("PRICE", "SMALL")),
    *(f"coach.core.diagnose.scatter:{name}" for name in ("USUAL", "SHRUNK", "LEAST", "FEW", "TAIL")),
    *(f"coach.core.diagnose.weighing:{name}" for name in ("TOLD", "SURE", "STANDS")),
)
NOTICED: Final = 0.5
"""Points by which a figure of the bench must change."""
MOVED: Final = "MOVED_CONSTANT"


def move(what: str) -> None:
    """Change the constant ``module:name:factor`` before it is used, wherever it was imported."""
    place, name, factor = what.split(":")
    module = import_module(place)
    value = getattr(module, name)
    moved = type(value)(round(value * float(factor))) if isinstance(value, int) else value * float(factor)
    # its package may have imported it already, by name
    for user in [m for m in sys.modules.values() if m.__name__.startswith("coach.")]:
        if vars(user).get(name) is value:
            setattr(user, name, moved)


if os.environ.get(MOVED):
    move(os.environ[MOVED])


def with_moved(moved: str) -> dict[str, str]:
    """The environment of a process in which the constant is moved; "" moves none."""
    paths = os.pathsep.join([str(Path(__file__).parent), str(Path.cwd()), os.environ.get("PYTHONPATH", "")])
    return {**os.environ, "PYTHONPATH": paths, MOVED: moved}


def noticed(constant: str, factor: float) -> list[str]:
    """The tests that fail when the constant is ``factor`` times what it is."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly", "-p", "constants_bench", *WATCH]
    env = with_moved(f"{constant}:{factor}")
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    return [line.split("::")[1].split(" ")[0] for line in done.stdout.splitlines() if line.startswith("FAILED")]


def figures_of_bench(moved: str, cache: str, passes: int) -> list[float]:
    """Return recall, precision and false reports in percent, of the transient and the plain simulator."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "figures.json"
        given = f"--sim transient plain --circuits tuning --clean --passes {passes} --cache {cache} --write {file}"
        code = f"import constants_bench, fault_bench; fault_bench.main({given.split()!r})"
        subprocess.run([sys.executable, "-c", code], env=with_moved(moved), check=True, capture_output=True)
        written = json.loads(file.read_text(encoding="utf-8"))
    out = []
    for simulator in ("transient", "plain"):
        rows = written[simulator]["tuning"]["clean 60 Hz"]
        false = rows["faultless"]["reported"] / rows["faultless"]["n"]
        out += [100.0 * rows["all"]["recall"], 100.0 * rows["all"]["precision"], 100.0 * false]
    return out


def comparison(only: list[str], cache: str, passes: int) -> int:
    """Print what each constant of the comparison changes; return how many no figure notices."""
    base = figures_of_bench("", cache, passes)
    print("recall, precision, false reports (transient, then plain) in percent:", " ".join(f"{x:.1f}" for x in base))
    unseen = 0
    for constant in COMPARISON:
        if only and constant.split(":")[1] not in only:
            continue
        changes = {}
        for factor in (0.7, 1.3):
            moved = figures_of_bench(f"{constant}:{factor}", cache, passes)
            changes[factor] = [b - a for a, b in zip(base, moved, strict=True)]
        most = max(abs(x) for change in changes.values() for x in change)
        unseen += most < NOTICED
        print(f"{constant:40s} " + "; ".join(
            f"x{factor} " + " ".join(f"{x:+.1f}" for x in change) for factor, change in changes.items()
        ) + ("" if most >= NOTICED else "  nothing notices"), flush=True)  # fmt: skip
    return unseen


def main() -> int:
    """Command line; 1 when a constant may move and nothing notices."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--comparison", action="store_true", help="the comparison's, against the fault bench")
    parser.add_argument("--passes", type=int, default=20, help="of each fault in that bench")
    parser.add_argument("--cache", default="", help="folder that keeps its simulated sessions")
    args = parser.parse_args()
    if args.comparison:
        with tempfile.TemporaryDirectory() as own:
            unseen = comparison(args.only, args.cache or own, args.passes)
        print(f"{unseen} constants that nothing notices")
        return int(unseen > 0)
    unseen = 0
    for constant in CONSTANTS:
        name = constant.split(":")[1]
        if args.only and name not in args.only:
            continue
        seen = {factor: noticed(constant, factor) for factor in (0.7, 1.3)}
        unseen += not any(seen.values())
        print(f"{constant:40s} " + "; ".join(
            f"x{factor}: {len(tests)} notice: {', '.join(tests[:2])}"
            for factor, tests in seen.items()
        ), flush=True)  # fmt: skip
    print(f"{unseen} constants that nothing notices")
    return int(unseen > 0)


if __name__ == "__main__":
    sys.exit(main())
