"""Lists the profiles on this machine, and finds the one that fits a driven path."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coach.app.circuits.circuit_match import OtherCircuitError, fits, thinned, wrong_circuit
from coach.app.paths import sessions_folder
from coach.app.rerun.rerun import Origin, moved_to
from coach.core.columns import Columns, Floats
from coach.core.track.reference import Reference
from coach.errors import CoachError
from coach.profile.store import PROFILE_NAME, added_profiles, load_plan, profile_paths


@dataclass(frozen=True, eq=False)
class KnownProfile:
    """A profile on this machine: its ``--profile`` value and its reference."""

    argument: str
    path: Path
    reference: Reference


def known_profiles() -> Iterator[KnownProfile]:
    """Yield added, shipped and recorded profiles; skip unreadable ones."""
    named = {**profile_paths(), **added_profiles()}
    surveyed = {str(p.parent): p.parent for p in sorted(sessions_folder().glob(f"*/profile/{PROFILE_NAME}"))}
    for argument, folder in {**named, **surveyed}.items():
        try:
            plan = load_plan(folder)
        except CoachError:
            continue
        yield KnownProfile(argument, plan.path, plan.reference)


def fitting(x: Floats, y: Floats, origin: Origin, but: Path | None = None) -> KnownProfile | None:
    """Return the profile whose circuit fits in its direction, or None.

    ``x`` and ``y`` [m] (shape (n,)) lie in the plane around ``origin`` (degrees, NaN for a plane without one).
    """
    for one in known_profiles():
        if but is not None and one.path == but:
            continue
        there = (one.reference.origin_lat_deg, one.reference.origin_lon_deg)
        if (origin[0] == origin[0]) != (there[0] == there[0]):
            continue
        if fits(one.reference, *thinned(*moved_to(there, origin, x, y))):
            return one
    return None


def hint(x: Floats, y: Floats, origin: Origin, but: Path | None = None) -> str:
    """Return the end of a sentence that names a profile that fits; "" when there is none."""
    other = fitting(x, y, origin, but)
    return "" if other is None else f"; {other.reference.circuit} fits: --profile {other.argument}"


def refuse_other_circuit(reference: Reference, profile: str, batches: Sequence[Columns]) -> None:
    """Raise OtherCircuitError if a session without a whole lap on ``reference`` was driven elsewhere.

    ``batches`` lie in the plane of the reference; ``profile`` is where it came from. The error names a profile that
    fits.
    """
    wrong = wrong_circuit(reference, batches)
    if not wrong:
        return
    whole = Columns.join(list(batches))
    origin = (reference.origin_lat_deg, reference.origin_lon_deg)
    other = hint(whole["x_m"], whole["y_m"], origin, Path(profile)) if np.isfinite(whole["x_m"]).any() else ""
    raise OtherCircuitError(wrong + other)
