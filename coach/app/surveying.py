"""A survey from session folder to profile folder: writes a new one, or merges into one that the user has edited."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from coach.app.circuits.circuit_match import wrong_circuit
from coach.app.reaching import REACHABLE_NAME, Target, with_reach
from coach.app.rerun.rerun import Origin, on_plane_of
from coach.core.columns import Columns
from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.errors import ProfileError
from coach.outputs.console import lap_time
from coach.profile.corner_map import new_profile
from coach.profile.merge import MergeReport, merge_survey
from coach.profile.reference_file import read_reference, write_reference
from coach.profile.store import PROFILE_NAME, load_plan, own_copy, own_path, read_profile
from coach.session.reader import SessionReader
from coach.survey.survey import Survey, survey

REFERENCE_NAME = "reference.arrow"
SAME_TIME_S = 0.0005
"""Lap times have thousandths; a smaller difference than half of one is none [s]."""
SAME_PLACE_M = 0.01
"""A reference has millimetres; lines less than a centimetre apart are the same [m]."""


@dataclass(frozen=True)
class SurveyOutcome:
    """Result of a survey: ``merged`` is None for a new profile.

    ``corners`` have the profile's names. ``kept`` is the backup of the previous reference, None if there was none or it
    is the same.
    """

    survey: Survey
    profile: Path
    merged: MergeReport | None
    tail: str
    corners: tuple[Corner, ...]
    kept: Path | None = None


def survey_session(
    session: Path,
    output: Path | None,
    reference_lap: int | None,
    circuit: str,
    replace_old: bool = False,
    target: Target = "best",
    also: Sequence[Path] = (),
    at_limit: bool = False,
) -> SurveyOutcome:
    """Survey ``session`` into the profile folder ``output`` (default: ``profile`` inside the session).

    A slower reference, or one of another circuit, replaces an old one only with ``replace_old``. ``target`` selects the
    profile's reference: the best driven lap, or the reachable one written beside it. ``also`` are more sessions with
    the same car, for its envelope only; ``at_limit``: the driver says that he drove at its limit. Raise SessionError,
    SurveyError or ProfileError on failure.
    """
    reader = SessionReader(session)
    folder = output if output is not None else reader.folder / "profile"
    if folder.suffix in (".yaml", ".yml"):
        if folder.name != PROFILE_NAME:
            raise ProfileError(str(folder), f"expected a folder, or its {PROFILE_NAME}; found another file")
        folder = folder.parent
    path = folder / PROFILE_NAME
    path = own_path(path) if own_path(path).exists() else path
    file = read_profile(path) if path.exists() else None
    previous, fresh = None, file is None
    if file is not None:
        kept = path.parent / _driven_name(file.model.reference)
        previous = read_reference(kept) if kept.is_file() else None
    batches = list(reader.batches() if previous is None else on_plane_of(previous, reader.header, reader.batches()))
    if previous is not None and (wrong := wrong_circuit(previous, batches)):
        if not replace_old:
            raise ProfileError(str(path), f"{wrong}; choose another folder, or --replace (the old one is kept)")
        circuit = circuit or reader.header.circuit or folder.resolve().name
        file, previous, fresh = None, None, True
        batches = list(reader.batches())
    own = reader.folder.resolve().name if output is None else folder.resolve().name
    name = circuit or (file.model.circuit if file is not None else "") or reader.header.circuit or own
    header = reader.header
    found = survey(
        Columns.join(batches), circuit=name, reference_lap=reference_lap, previous=previous, inferred=header.inferred
    )
    if previous is not None and not replace_old:
        _refuse_slower(path, found.reference, previous)
    origin = (header.origin_lat_deg, header.origin_lon_deg)
    found = replace(found, reference=_with_origin(found.reference, origin, previous))
    found, reachable = with_reach(found, reader, target, also, at_limit)
    done = _write(found, own_copy(path), name, fresh, reachable)
    return replace(done, tail=reader.tail())


def survey_columns(
    columns: Columns, folder: Path, circuit: str, inferred: Collection[str], origin: Origin
) -> SurveyOutcome:
    """Survey frames just driven into a new profile ``folder``. Raise SurveyError or ProfileError on failure."""
    found = survey(columns, circuit=circuit, inferred=inferred)
    found = replace(found, reference=_with_origin(found.reference, origin, None))
    return _write(found, folder / PROFILE_NAME, circuit, True)


def _driven_name(named: str) -> str:
    """Return the file of the driven reference, even if the profile names the reachable one beside it."""
    return REFERENCE_NAME if named == REACHABLE_NAME else named


def _write(found: Survey, path: Path, name: str, fresh: bool, reachable: Reference | None = None) -> SurveyOutcome:
    """Write profile and references: merge into an existing profile, or replace it with ``fresh``.

    The profile names the ``reachable`` reference where there is one, else the driven one.
    """
    folder = path.parent
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ProfileError(str(folder), f"the profile cannot be written here ({error.strerror})") from error
    file = None if fresh else read_profile(path)
    reference = folder / (REFERENCE_NAME if file is None else _driven_name(file.model.reference))
    kept = _keep_old(reference, found.reference)
    merged = None
    if file is not None:
        merged = merge_survey(file.tree, found.corners, found.reference.length_m)
    elif path.exists():
        _keep(path, path.read_bytes())
        path.unlink()
    write_reference(reference, found.reference)
    if reachable is not None:
        write_reference(folder / REACHABLE_NAME, reachable)
    if file is None:
        file = new_profile(path, name, found.reference.length_m, found.corners)
    file.tree["reference"] = reference.name if reachable is None else REACHABLE_NAME
    file.save()
    return SurveyOutcome(found, path, merged, "", load_plan(path).corners, kept)


def _refuse_slower(path: Path, made: Reference, old: Reference) -> None:
    if made.lap_time_s > old.lap_time_s + SAME_TIME_S:
        found, best = lap_time(made.lap_time_s), lap_time(old.lap_time_s)
        raise ProfileError(
            str(path),
            f"the new reference is slower: expected {best} or faster, found {found}; --replace takes it anyway "
            "(the old one is kept)",
        )


def _keep_old(path: Path, made: Reference) -> Path | None:
    """Back up the reference at ``path`` unless ``made`` is the same lap; return the backup's path."""
    if not path.is_file():
        return None
    old = read_reference(path)
    same_lap = len(old) == len(made) and abs(old.lap_time_s - made.lap_time_s) < SAME_TIME_S
    if same_lap and np.allclose(old.x_m, made.x_m, atol=SAME_PLACE_M, rtol=0.0, equal_nan=True):
        return None
    return _keep(path, path.read_bytes())


def _keep(path: Path, data: bytes) -> Path:
    """Write ``data`` under the first free name with a number: ``reference.1.arrow``."""
    number = 1
    while (kept := path.with_suffix(f".{number}{path.suffix}")).exists():
        number += 1
    try:
        kept.write_bytes(data)
    except OSError as error:
        raise ProfileError(str(kept), f"the old file cannot be kept ({error.strerror})") from error
    return kept


def _with_origin(made: Reference, origin: Origin, previous: Reference | None) -> Reference:
    """Return the new reference with the origin of its plane."""
    if previous is not None and math.isfinite(previous.origin_lat_deg):
        origin = (previous.origin_lat_deg, previous.origin_lon_deg)
    return replace(made, origin_lat_deg=origin[0], origin_lon_deg=origin[1])
