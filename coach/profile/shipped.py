"""Finds a file the user names: a path, else the name of a shipped or added one."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from coach.errors import DataError, ProfileError, RulesError


def shipped(name_or_path: str | Path, known: Mapping[str, Path], what: str) -> Path:
    """Return the path; raise ProfileError or RulesError listing the known names."""
    given = Path(name_or_path)
    if str(name_or_path) in known and not given.is_file() and not _is_profile(given):
        return known[str(name_or_path)]
    if given.exists():
        return given
    error: type[DataError] = RulesError if what in ("rule set", "language") else ProfileError
    names = ", ".join(sorted(known)) or "none"
    raise error(str(name_or_path), f"expected a file, a folder or one of {names}; found no {what} of that name")


def _is_profile(path: Path) -> bool:
    return (path / "profile.yaml").is_file()
