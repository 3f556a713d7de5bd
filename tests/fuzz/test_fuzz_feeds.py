from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_feeds import fuzz  # puts the folders of the other modules on the path
from fuzz_targets import BrokenError, Checked, targets

from feeds.frame import Frame


def test_a_short_run_over_all_decoders(tmp_path: Path) -> None:
    """Some thousand mutated inputs: no exception leaves an adapter and nothing absurd gets through.

    The long run is ``python tests/fuzz/fuzz_feeds.py --inputs 1000000``.
    """
    done = fuzz(6000, 7, tmp_path)
    assert set(targets(tmp_path / "..")) == set(done)


def test_the_check_itself_can_fail() -> None:
    """An absurd speed, a pedal beyond its stop, a leap without confirmation: each is noticed."""
    for bad in (Frame(1.0, speed_mps=151.0), Frame(1.0, throttle=1.5), Frame(1.0, x_m=2e6)):
        with pytest.raises(BrokenError):
            Checked().look([bad], {})
    with pytest.raises(BrokenError, match="1 leaps, 0 confirmed"):
        Checked().look([Frame(1.0, x_m=0.0, y_m=0.0), Frame(1.1, x_m=300.0, y_m=0.0)], {})
    Checked().look([Frame(1.0, x_m=0.0, y_m=0.0), Frame(1.1, x_m=300.0, y_m=0.0)], {"teleport": 1})
