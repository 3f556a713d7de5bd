"""A survey from session folder to profile folder: made new, or merged into what a person has edited."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

from coach.app.reaching import REACHABLE_NAME, Target, with_reach
from coach.app.replane import on_plane_of
from coach.core.columns import Columns
from coach.core.reference import Reference
from coach.errors import ProfileError
from coach.profile.corner_map import new_profile
from coach.profile.merge import MergeReport, merge_survey
from coach.profile.reference_file import read_reference, write_reference
from coach.profile.store import PROFILE_NAME, read_profile
from coach.session.reader import SessionReader
from coach.survey.survey import Survey, survey

REFERENCE_NAME = "reference.arrow"


@dataclass(frozen=True)
class Surveyed:
    """What a survey did: ``merged`` is None when the profile was made new."""

    survey: Survey
    profile: Path
    merged: MergeReport | None
    tail: str


def survey_session(
    session: Path, output: Path | None, reference_lap: int | None, circuit: str, target: Target = "best"
) -> Surveyed:
    """Survey ``session`` into the profile folder ``output`` (default: ``profile`` inside the session).

    ``target`` says which reference the profile names: the best driven lap, or the reachable one, written beside it.
    Raises SessionError, SurveyError, ProfileError.
    """
    reader = SessionReader(session)
    folder = output if output is not None else reader.folder / "profile"
    if folder.suffix in (".yaml", ".yml"):
        if folder.name != PROFILE_NAME:
            raise ProfileError(str(folder), f"found the name of a file; allowed a folder, or its {PROFILE_NAME}")
        folder = folder.parent
    path = folder / PROFILE_NAME
    known = path.exists()
    previous = None
    file = read_profile(path) if known else None
    if file is not None:
        kept = path.parent / file.model.reference
        previous = read_reference(kept) if kept.is_file() else None
    name = circuit or (file.model.circuit if file is not None else "") or reader.header.circuit or folder.resolve().name
    batches = reader.batches() if previous is None else on_plane_of(previous, reader.header, reader.batches())
    columns = Columns.join(list(batches))
    found = survey(
        columns, circuit=name, reference_lap=reference_lap, previous=previous, inferred=reader.header.inferred
    )
    found = replace(found, reference=_with_origin(found.reference, reader, previous))
    found, reachable = with_reach(found, reader, target)
    merged = None
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ProfileError(str(folder), f"the profile can not be written here ({error.strerror})") from error
    driven = REFERENCE_NAME if file is None or file.model.reference == REACHABLE_NAME else file.model.reference
    write_reference(folder / driven, found.reference)
    if reachable is not None:
        write_reference(folder / REACHABLE_NAME, reachable)
    if file is not None:
        merged = merge_survey(file.tree, found.corners, found.reference.length_m)
    else:
        file = new_profile(path, name, found.reference.length_m, found.corners)
    file.tree["reference"] = driven if reachable is None else REACHABLE_NAME
    file.save()
    return Surveyed(found, path, merged, reader.tail())


def _with_origin(made: Reference, reader: SessionReader, previous: Reference | None) -> Reference:
    """The new reference with the origin of the plane its positions are in."""
    if previous is not None and math.isfinite(previous.origin_lat_deg):
        lat, lon = previous.origin_lat_deg, previous.origin_lon_deg
    else:
        lat, lon = reader.header.origin_lat_deg, reader.header.origin_lon_deg
    return replace(made, origin_lat_deg=lat, origin_lon_deg=lon)
