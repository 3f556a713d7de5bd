"""Shares a profile: one zip with the profile, its reference and its own rules, and nothing else.

A received archive is untrusted: only plain files of known names are accepted, unpacking limits their actual sizes (not
the archive's claims), everything is validated before anything is written, and the folder appears whole or not at all.
Nothing in it can run: YAML is data without tags, Arrow is numbers.
"""

from __future__ import annotations

import io
import os
import re
import shutil
import stat
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Final

from coach.errors import DataError, ProfileError, expected
from coach.files import write_atomically
from coach.profile.reference_file import decode_reference
from coach.profile.rule_files import parse_rules
from coach.profile.store import PROFILE_NAME, RULES_FOLDER, Plan, agree, load_plan, profile_of, read_profile
from coach.profile.yaml_file import MAX_BYTES

MAX_ARCHIVE: Final = 32 * 1024 * 1024
MAX_FILE: Final = {"yaml": MAX_BYTES, "arrow": 64 * 1024 * 1024}
MAX_TOTAL: Final = 72 * 1024 * 1024
MAX_RATIO: Final = 100
"""Largest ratio of unpacked to packed bytes; text packs about 1:10, a reference is already packed."""
MAX_FILES: Final = 12
_RULE_NAME: Final = re.compile(r"rules/[a-z0-9][a-z0-9_-]{0,39}\.yaml")
_STAMP: Final = (2020, 1, 1, 0, 0, 0)
"""One date for all, so that the same profile always gives the same file."""


@dataclass(frozen=True)
class SharedProfile:
    """A packed or unpacked profile: its path and its plan."""

    path: Path
    plan: Plan
    files: tuple[str, ...]


def pack(profile: Path, out_zip: Path) -> SharedProfile:
    """Pack a profile folder (or its profile file) into ``out_zip``, atomically.

    Raise ProfileError or RulesError if any part is invalid.
    """
    plan = load_plan(profile)
    if plan.path.name != PROFILE_NAME:
        raise ProfileError(str(plan.path), f"expected a profile named {PROFILE_NAME}, found another file")
    folder = plan.path.parent
    reference = read_profile(plan.path).model.reference
    contents = {PROFILE_NAME: plan.path.read_bytes(), reference: (folder / reference).read_bytes()}
    for path in sorted((folder / RULES_FOLDER).glob("*.yaml")):
        name = f"{RULES_FOLDER}/{path.name}"
        if not _RULE_NAME.fullmatch(name):
            raise ProfileError(str(path), "expected a-z, 0-9, _ and -; found a name that cannot be shared")
        contents[name] = path.read_bytes()
    _validate(contents, str(folder))
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in contents.items():
            archive.writestr(zipfile.ZipInfo(name, _STAMP), data, zipfile.ZIP_DEFLATED)
    try:
        write_atomically(out_zip, buffer.getvalue())
    except OSError as e:
        raise ProfileError(str(out_zip), f"cannot be written: {e.strerror or e}") from None
    return SharedProfile(out_zip, plan, tuple(contents))


def unpack(zip_path: Path, into: Path) -> SharedProfile:
    """Unpack a shared profile as the new folder ``into``: whole, validated, or not at all.

    Raise ProfileError or RulesError with the archive, the file in it and the fault. ``into`` must not exist.
    """
    contents = _contents(zip_path)
    _validate(contents, str(zip_path))
    if os.path.lexists(into):
        raise ProfileError(str(into), "expected a new name, found an existing file or folder")
    try:
        into.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(dir=into.parent, prefix=f".{into.name}."))
        try:
            for name, data in contents.items():
                target = staged.joinpath(*PurePosixPath(name).parts)
                target.parent.mkdir(exist_ok=True)
                target.write_bytes(data)
                target.chmod(0o644)
            staged.chmod(0o755)
            staged.rename(into)
        except BaseException:
            shutil.rmtree(staged, ignore_errors=True)
            raise
    except OSError as e:
        raise ProfileError(str(into), f"cannot be written: {e.strerror or e}") from None
    return SharedProfile(into, load_plan(into), tuple(contents))


def _validate(contents: dict[str, bytes], where: str) -> None:
    """Read every file by its own reader; prefix the reader's error with ``where``."""
    if PROFILE_NAME not in contents:
        raise ProfileError(where, f"expected a shared profile, found no {PROFILE_NAME}")
    rules = [parse_rules(data, f"{where}: {name}") for name, data in contents.items() if _RULE_NAME.fullmatch(name)]
    own = frozenset(rule.name for rule_set in rules for rule in rule_set.rules)
    file = profile_of(contents[PROFILE_NAME], f"{where}: {PROFILE_NAME}", own)
    arrows = [name for name in contents if name.endswith(".arrow")]
    reference = file.model.reference
    if arrows != [reference]:
        found = ", ".join(arrows) or "none"
        raise ProfileError(where, f"reference: expected {reference}, as the profile says; found {found}")
    agree(file, decode_reference(contents[reference], f"{where}: {reference}"))


def _contents(zip_path: Path) -> dict[str, bytes]:
    """Return name -> bytes of an untrusted zip; raise ProfileError for anything but plain files of known names."""

    def refuse(name: str, found: str, allowed: str) -> ProfileError:
        shown = "".join(c if c.isprintable() else "?" for c in name)[:60]
        return ProfileError(
            str(zip_path), f"{shown}: {expected(allowed, found)}" if shown else expected(allowed, found)
        )

    try:
        if not zip_path.is_file():
            found = "a folder" if zip_path.is_dir() else "no such file"
            raise refuse("", found, "a shared profile (zip)")
        size = zip_path.stat().st_size
        if size > MAX_ARCHIVE:
            raise refuse("", f"{size} bytes", f"at most {MAX_ARCHIVE}")
        with zipfile.ZipFile(io.BytesIO(zip_path.read_bytes())) as archive:
            entries = archive.infolist()
            if len(entries) > MAX_FILES:
                raise refuse("", f"{len(entries)} entries", f"at most {MAX_FILES}")
            out: dict[str, bytes] = {}
            for entry in entries:
                kind = _kind(entry)
                if kind is None or entry.filename.casefold() in {n.casefold() for n in out}:
                    found = "a name that is not known, unsafe or there twice"
                    raise refuse(entry.filename, found, f"{PROFILE_NAME}, one .arrow file, {RULES_FOLDER}/*.yaml")
                if not _is_plain(entry):
                    raise refuse(entry.filename, "a link, a device or an encrypted entry", "plain files")
                with archive.open(entry) as file:
                    data = file.read(MAX_FILE[kind] + 1)
                if len(data) > MAX_FILE[kind]:
                    raise refuse(entry.filename, f"more than {MAX_FILE[kind]} bytes", f"{MAX_FILE[kind]}")
                if len(data) > MAX_RATIO * max(entry.compress_size, 64):
                    raise refuse(entry.filename, f"{len(data)} bytes in {entry.compress_size}", f"1:{MAX_RATIO}")
                out[entry.filename] = data
                if sum(map(len, out.values())) > MAX_TOTAL:
                    raise refuse("", f"more than {MAX_TOTAL} bytes in all", f"{MAX_TOTAL}")
            return out
    except DataError:
        raise
    except OSError as e:
        raise refuse("", f"a file that cannot be read ({e.strerror or e})", "a shared profile (zip)") from None
    except Exception as e:  # zipfile lets struct.error, zlib.error, ValueError, EOFError, ... pass on bad bytes
        line = " ".join(str(e).split())[:80]
        raise refuse("", f"a damaged zip archive ({line})", "a shared profile (zip)") from None


def _kind(entry: zipfile.ZipInfo) -> str | None:
    """Return ``yaml`` or ``arrow`` for the file names of a shared profile; None for any other.

    ``orig_filename`` is the archive's name; zipfile cuts at a NUL and converts separators, so both must agree.
    """
    name = entry.filename
    if name != entry.orig_filename or entry.is_dir():
        return None
    if name == PROFILE_NAME or _RULE_NAME.fullmatch(name):
        return "yaml"
    if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 _-]{0,59}\.arrow", name):
        return "arrow"
    return None


def _is_plain(entry: zipfile.ZipInfo) -> bool:
    mode = entry.external_attr >> 16
    kinds = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
    return stat.S_IFMT(mode) in (0, stat.S_IFREG) and not entry.flag_bits & 0x1 and entry.compress_type in kinds
