"""A profile folder: the profile, its reference, and both as one frozen plan for the core."""

from __future__ import annotations

import contextlib
import hashlib
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import platformdirs

from coach.core.track.reference import Reference
from coach.core.values import Corner
from coach.errors import ProfileError, RulesError, expected
from coach.identity import APP
from coach.profile.models import ProfileModel
from coach.profile.problems import Problem, ProfileFileError
from coach.profile.reference_file import read_reference
from coach.profile.rule_files import read_rules
from coach.profile.shipped import shipped
from coach.profile.yaml_file import YamlFile, decode
from coach.profile.yaml_tree import line_of


def is_shipped(path: Path) -> bool:
    """Return whether the profile at ``path`` (its file or folder) is shipped."""
    return _folder(path) in {p.resolve() for p in profile_paths().values()}


def own_path(path: Path) -> Path:
    """Return where an edit of the profile file ``path`` is written: the own copy of a shipped one, else ``path``
    itself.
    """
    if not is_shipped(path):
        return path
    folder = _folder(path)
    return added_folder() / folder.name / (path.name if path.suffix else "")


def own_copy(path: Path) -> Path:
    """Return the same and create the copy if missing. Raise ProfileError on failure."""
    target = own_path(path)
    folder = target.parent if target.suffix else target
    if target == path or folder.exists():
        return target
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        # whole or not at all: half a copy would look like a profile
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".copy-") as parts:
            shutil.copytree(_folder(path), Path(parts) / "profile")
            (Path(parts) / "profile").rename(folder)
    except OSError as error:
        raise ProfileError(str(folder), f"the shipped profile cannot be copied here ({error.strerror})") from error
    return target


def _folder(path: Path) -> Path:
    return (path.parent if path.suffix else path).resolve()


def board_warnings(corners: Sequence[Corner], length_m: float, closed: bool = True) -> tuple[str, ...]:
    """Return warnings about boards of ``corners`` (in driving order) outside the straight before them.

    A board stands on the approach: not before the previous corner's end, nor before the start of an open course.
    ``length_m`` is the lap [m].
    """
    out = []
    for i, corner in enumerate(corners):
        before = corners[i - 1]
        if i or closed:
            limit_m = before.end_m - (length_m if i == 0 else 0.0)
            where = f"the end of {before.name}"
        else:
            limit_m, where = 0.0, "the start"
        wrong = [board for board in corner.boards_m if corner.turn_in_m - board < limit_m]
        if wrong:
            named = " and ".join(f"{board:g}" for board in wrong)
            lie = f"the board at {named} m lies" if len(wrong) == 1 else f"the boards at {named} m lie"
            out.append(
                f"{corner.name}: {lie} before {where}, {corner.turn_in_m - limit_m:.0f} m before turn-in; look again"
            )
    return tuple(out)


PROFILE_NAME: Final = "profile.yaml"
RULES_FOLDER: Final = "rules"
LENGTH_TOLERANCE_M: Final = 1.0
"""Tolerance of a hand-written or rounded length; beyond it the profile belongs to another reference."""


@dataclass(frozen=True, eq=False)
class Plan:
    """Profile and reference of a run. ``digest`` is the SHA-256 of profile and reference together, ``reference_name``
    the reference's file in the folder."""

    path: Path
    digest: str
    circuit: str
    reference: Reference
    corners: tuple[Corner, ...]
    pronounce: Mapping[str, str]
    reference_name: str = ""


def load_plan(name_or_path: str | Path) -> Plan:
    """Return profile and reference by folder, by profile file, or by the name of an added, else a shipped profile.

    Raise ProfileError with file, line and field.
    """
    file = read_profile(profile_path(name_or_path))
    profile = file.model
    reference_path = file.path.parent / profile.reference
    if not reference_path.is_file():
        _fail(file, ("reference",), f"{profile.reference}, which is not there", "a file in the same folder")
    reference = read_reference(reference_path)
    agree(file, reference)
    digest = hashlib.sha256(file.digest.encode() + reference_path.read_bytes()).hexdigest()
    corners, pronounce = profile.to_corners(), dict(profile.pronounce)
    return Plan(file.path, digest, profile.circuit, reference, corners, pronounce, profile.reference)


def read_profile(path: Path) -> YamlFile[ProfileModel]:
    """Return the profile file at ``path`` (a file or its folder) for viewing and editing; raise ProfileError if
    invalid.
    """
    path = path / PROFILE_NAME if path.is_dir() else path
    return YamlFile.read(path, ProfileModel, ProfileFileError, {"rule_names": own_rule_names(path.parent)})


def own_rule_names(folder: Path) -> frozenset[str]:
    """Return the names of the rules beside a profile, which it may mute; ignore an invalid rule file here."""
    names: set[str] = set()
    for path in sorted((folder / RULES_FOLDER).glob("*.yaml")):
        with contextlib.suppress(RulesError):
            names |= {rule.name for rule in read_rules(path).model.rules}
    return frozenset(names)


def parse_profile(data: bytes, path: str) -> ProfileModel:
    """Return a profile from the bytes of its file; ``path`` appears in messages. Raise ProfileError if invalid."""
    return profile_of(data, path).model


def profile_of(data: bytes, path: str, rule_names: frozenset[str] = frozenset()) -> YamlFile[ProfileModel]:
    """Return the same with its tree, so that faults found against the reference still have a line."""
    text = decode(data, path, ProfileFileError)
    return YamlFile.new(Path(path), text, ProfileModel, ProfileFileError, {"rule_names": rule_names})


def profile_path(name_or_path: str | Path) -> Path:
    """Return the profile file of a folder, a file or a name; raise ProfileError listing the known names."""
    path = shipped(name_or_path, {**profile_paths(), **added_profiles()}, "profile")
    if path.is_dir():
        inner = path / PROFILE_NAME
        if not inner.is_file():
            raise ProfileError(str(path), f"expected a profile's folder, found a folder without {PROFILE_NAME}")
        return inner
    return path


@cache
def profile_paths() -> Mapping[str, Path]:
    """Return the shipped profiles by folder name."""
    from profiles import folder

    return {p.parent.name: p.parent for p in sorted(folder().glob(f"*/{PROFILE_NAME}"))}


def added_folder() -> Path:
    """Return the default folder of ``coach add``."""
    return Path(platformdirs.user_data_dir(APP)) / "profiles"


def added_profiles() -> Mapping[str, Path]:
    """Return the added profiles of this machine by folder name."""
    return {p.parent.name: p.parent for p in sorted(added_folder().glob(f"*/{PROFILE_NAME}"))}


def agree(file: YamlFile[ProfileModel], reference: Reference) -> None:
    """Raise ProfileError if the profile does not belong to the reference it names."""
    profile = file.model
    if abs(profile.length_m - reference.length_m) > LENGTH_TOLERANCE_M:
        found = f"{profile.length_m:g}"
        allowed = f"{reference.length_m:g}, the length of {profile.reference}, within {LENGTH_TOLERANCE_M:g} m"
        _fail(file, ("length_m",), found, allowed)
    if not reference.closed:
        for i, corner in enumerate(profile.corners):
            if corner.end_m > reference.length_m:
                allowed = f"at most {reference.length_m:g}: the course does not close"
                _fail(file, ("corners", i, "end_m"), f"{corner.end_m:g}", allowed)


def _fail(file: YamlFile[ProfileModel], loc: tuple[str | int, ...], found: str, allowed: str) -> None:
    line, field = line_of(file.tree, loc), ".".join(map(str, loc))
    raise ProfileFileError([Problem(str(file.path), line, field, expected(allowed, found), loc)])
