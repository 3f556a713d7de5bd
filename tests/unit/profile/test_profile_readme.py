"""The guide's example of a profile is a valid profile."""

from __future__ import annotations

import re
from pathlib import Path

from coach.profile.store import load_plan, parse_profile


def test_the_corner_in_the_guide_is_that_of_the_shipped_profile(repository: Path) -> None:
    """Put into a profile it is valid, and its places are those that ship."""
    found = re.search(r"```yaml\n(  - name: .*?)```", (repository / "DEVELOPERS.md").read_text(encoding="utf-8"), re.S)
    assert found is not None
    head = 'schema: 1\ncircuit: "Hollow Ridge"\nlength_m: 3989.963\ncorners:\n'
    (shown,) = parse_profile((head + found[1]).encode(), "DEVELOPERS.md").to_corners()
    shipped = load_plan("hollow_ridge").corners[0]
    for name in ("name", "direction", "brake_m", "turn_in_m", "apex_m", "exit_m", "end_m", "boards_m", "gear", "apex"):
        assert getattr(shipped, name) == getattr(shown, name)
    assert (shipped.cautions, shipped.latest_brake_m) == (shown.cautions, shown.latest_brake_m)
