"""Whether anything notices when a constant of the condition and of the weighing of causes moves by 30 %.

python tests/tools/constants_bench.py                 every constant, up and down, against the tests that watch them
python tests/tools/constants_bench.py --only STEADY   one of them

A constant that no test notices is to be deleted, or a test is missing. Each run is its own process: the constant is
changed before anything else imports it.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
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
    "coach.survey.envelope.known:FEWEST",
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
)
MOVED: Final = "MOVED_CONSTANT"


def move(what: str) -> None:
    """Change the constant ``module:name:factor`` before it is used."""
    place, name, factor = what.split(":")
    module = import_module(place)
    value = getattr(module, name)
    moved = value * float(factor)
    setattr(module, name, type(value)(round(moved)) if isinstance(value, int) else moved)


if os.environ.get(MOVED):
    move(os.environ[MOVED])


def noticed(constant: str, factor: float) -> list[str]:
    """The tests that fail when the constant is ``factor`` times what it is."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:randomly", "-p", "constants_bench", *WATCH]
    paths = os.pathsep.join([str(Path(__file__).parent), str(Path.cwd()), os.environ.get("PYTHONPATH", "")])
    env = {**os.environ, MOVED: f"{constant}:{factor}", "PYTHONPATH": paths}
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    return [line.split("::")[1].split(" ")[0] for line in done.stdout.splitlines() if line.startswith("FAILED")]


def main() -> int:
    """Command line; 1 when a constant may move and nothing notices."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", nargs="*", default=[])
    args = parser.parse_args()
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
