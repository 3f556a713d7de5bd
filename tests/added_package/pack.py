"""The smallest build backend (PEP 517): a wheel with one module and its entry points, made without a download."""

from __future__ import annotations

import zipfile
from pathlib import Path

NAME, VERSION = "coach_test_additions", "1.0"
ENTRY_POINTS = """\
[corner_coach.feeds]
metronome = coach_test_additions:MetronomeFeed
broken = coach_test_additions:nothing

[corner_coach.outputs]
notebook = coach_test_additions:Notebook
"""


def build_wheel(wheel_directory: str, config_settings: object = None, metadata_directory: object = None) -> str:
    info = f"{NAME}-{VERSION}.dist-info"
    files = {
        f"{NAME}.py": Path(f"{NAME}.py").read_text(),
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {NAME}\nVersion: {VERSION}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: pack\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        f"{info}/entry_points.txt": ENTRY_POINTS,
    }
    record = "".join(f"{name},,\n" for name in [*files, f"{info}/RECORD"])
    wheel = f"{NAME}-{VERSION}-py3-none-any.whl"
    with zipfile.ZipFile(Path(wheel_directory) / wheel, "w") as out:
        for name, text in {**files, f"{info}/RECORD": record}.items():
            out.writestr(name, text)
    return wheel
