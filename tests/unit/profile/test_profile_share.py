"""Sharing: what is packed comes back; what a stranger sends is whole and harmless, or refused with nothing written."""

from __future__ import annotations

import io
import os
import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from profile_examples import PROFILE, RULES, ring

from coach.errors import DataError
from coach.profile import share
from coach.profile.reference_file import write_reference
from coach.profile.share import pack, unpack
from coach.profile.store import load_plan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A profile folder with rules of its own and things that are nobody's business."""
    path = tmp_path / "ring"
    (path / "rules").mkdir(parents=True)
    (path / "profile.yaml").write_text(PROFILE.replace("[brake_soft, gear]", "[brake_soft, later]"))
    write_reference(path / "reference.arrow", ring())
    (path / "rules" / "mine.yaml").write_text(RULES)
    (path / "private.txt").write_text("not to be shared")
    return path


def archive(entries: list[tuple[zipfile.ZipInfo | str, bytes]], kind: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", kind) as file:
        for name, data in entries:
            file.writestr(name, data)
    return buffer.getvalue()


def parts(folder: Path) -> list[tuple[zipfile.ZipInfo | str, bytes]]:
    names = ("profile.yaml", "reference.arrow", "rules/mine.yaml")
    return [(name, (folder / name).read_bytes()) for name in names]


def test_there_and_back(folder: Path, tmp_path: Path) -> None:
    """The plan, every byte of every file, the comments: all there; the private file is not; the same zip each time."""
    packed = pack(folder, tmp_path / "ring.zip")
    assert ("profile.yaml", "reference.arrow", "rules/mine.yaml") == packed.files
    added = unpack(tmp_path / "ring.zip", tmp_path / "profiles" / "from a friend")
    assert load_plan(folder).digest == added.plan.digest
    for name in packed.files:
        assert (folder / name).read_bytes() == (added.path / name).read_bytes()
        assert 0 == stat.S_IMODE((added.path / name).stat().st_mode) & 0o111
    assert ["profile.yaml", "reference.arrow", "rules"] == sorted(os.listdir(added.path))
    first = (tmp_path / "ring.zip").read_bytes()
    pack(folder, tmp_path / "again.zip")
    assert first == (tmp_path / "again.zip").read_bytes()


def test_a_wrong_profile_is_not_packed(folder: Path, tmp_path: Path) -> None:
    """A profile that others could not load is not shared."""
    profile = (folder / "profile.yaml").read_text()
    (folder / "profile.yaml").write_text(profile.replace(", later]", "]"))
    (folder / "rules" / "mine.yaml").write_text(RULES.replace("brake_early", "brake_erly"))
    with pytest.raises(DataError, match=r"rules/mine.yaml:7: rules\[later\].about: expected .* found 'brake_erly'"):
        pack(folder, tmp_path / "out.zip")
    (folder / "rules" / "mine.yaml").rename(folder / "rules" / "My Rules.yaml")
    with pytest.raises(DataError, match="a name that cannot be shared"):
        pack(folder, tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


def entry(name: str, mode: int = 0, flags: int = 0) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.create_system = 3
    info.external_attr = mode << 16
    info.flag_bits |= flags
    return info


Parts = list[tuple[zipfile.ZipInfo | str, bytes]]
HOSTILE: list[tuple[str, Callable[[Parts], Parts], str]] = [
    ("up and out", lambda p: [*p, ("../evil.yaml", b"x")], "a name that is not known"),
    ("absolute", lambda p: [*p, ("/tmp/evil.yaml", b"x")], "a name that is not known"),
    ("drive letter", lambda p: [*p, ("C:\\evil.yaml", b"x")], "a name that is not known"),
    ("deep", lambda p: [*p, ("rules/../../evil.yaml", b"x")], "a name that is not known"),
    ("backslash", lambda p: [*p, ("rules\\evil.yaml", b"x")], "a name that is not known"),
    ("NUL", lambda p: [*p, ("rules/b.yaml#.py", b"x")], "a name that is not known"),
    ("script", lambda p: [*p, ("run.py", b"print()")], "a name that is not known"),
    ("page", lambda p: [*p, ("rules/a.html", b"<script>")], "a name that is not known"),
    ("hidden", lambda p: [*p, (".profile", b"x")], "a name that is not known"),
    ("folder", lambda p: [*p, ("rules/", b"")], "a name that is not known"),
    ("twice", lambda p: [*p, p[0]], "there twice"),
    ("twice, other case", lambda p: [*p, ("Reference.arrow", p[1][1])], "there twice"),
    ("link", lambda p: [(entry("profile.yaml", stat.S_IFLNK | 0o777), b"/etc/passwd"), *p[1:]], "a link, a device"),
    ("device", lambda p: [(entry("profile.yaml", stat.S_IFCHR | 0o666), b""), *p[1:]], "a link, a device"),
    ("many", lambda p: [*p, *[(f"rules/r{i}.yaml", RULES.encode()) for i in range(20)]], "23 entries"),
    ("bomb", lambda p: [*p, ("rules/b.yaml", b" " * 100_000)], "expected 1:100"),
    ("large", lambda p: [*p, ("rules/b.yaml", os.urandom(300_000))], "more than 131072 bytes"),
    ("no profile", lambda p: p[1:], "found no profile.yaml"),
    ("no reference", lambda p: [p[0], p[2]], "as the profile says; found none"),
    ("second reference", lambda p: [*p, ("b.arrow", p[1][1])], "as the profile says; found reference.arrow, b.arrow"),
    ("wrong profile", lambda p: [("profile.yaml", p[0][1].replace(b"left", b"up")), *p[1:]],
     "profile.yaml:13: corners[Ochre].direction: expected 'left' or 'right', found 'up'"),
    ("other length", lambda p: [("profile.yaml", p[0][1].replace(b"length_m: 1000.0", b"length_m: 1003")), *p[1:]],
     "profile.yaml:4: length_m: expected 1000, the length of reference.arrow, within 1 m; found 1003"),
    ("tagged", lambda p: [*p[:2], ("rules/b.yaml", b"a: !!python/object/apply:os.system [id]")], "the tag "),
    ("no Arrow", lambda p: [p[0], ("reference.arrow", b"x" * 100), p[2]], "found no Arrow IPC file"),
    ("empty", lambda p: [], "found no profile.yaml"),
]  # fmt: skip


@pytest.mark.filterwarnings("ignore:Duplicate name:UserWarning")  # zipfile warns while the hostile file is made
@pytest.mark.parametrize(("change", "found"), [h[1:] for h in HOSTILE], ids=[h[0] for h in HOSTILE])
def test_hostile_archives_are_refused_and_nothing_is_written(
    folder: Path, tmp_path: Path, change: Callable[[Parts], Parts], found: str
) -> None:
    """One line that names the archive and what was found; the folder is not made, nothing lies beside it."""
    zip_path = tmp_path / "hostile.zip"
    data = archive(change(parts(folder)))
    zip_path.write_bytes(data.replace(b"b.yaml#.py", b"b.yaml\x00.py"))  # zipfile itself would not write a NUL
    before = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*"))
    with pytest.raises(DataError) as caught:
        unpack(zip_path, tmp_path / "new")
    message = str(caught.value)
    assert message.startswith(str(zip_path))
    assert found in message
    assert before == sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*"))


def test_sizes_are_measured_not_believed(folder: Path, tmp_path: Path) -> None:
    """An archive that claims a small size for a large entry is refused all the same."""
    data = bytearray(archive([*parts(folder), ("rules/b.yaml", os.urandom(400_000))]))
    for signature, offset in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        at = data.rindex(signature)
        struct.pack_into("<I", data, at + offset, 10)
    (tmp_path / "liar.zip").write_bytes(data)
    with pytest.raises(DataError, match=r"liar.zip"):
        unpack(tmp_path / "liar.zip", tmp_path / "new")
    assert not (tmp_path / "new").exists()


def test_limits_of_the_archive_and_in_all(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Too large an archive is not even opened; too much in all stops the unpacking."""
    pack(folder, tmp_path / "ring.zip")
    monkeypatch.setattr(share, "MAX_TOTAL", 5000)
    with pytest.raises(DataError, match="more than 5000 bytes in all"):
        unpack(tmp_path / "ring.zip", tmp_path / "new")
    monkeypatch.setattr(share, "MAX_ARCHIVE", 100)
    with pytest.raises(DataError, match="expected at most 100, found"):
        unpack(tmp_path / "ring.zip", tmp_path / "new")


def test_nothing_that_is_there_is_replaced(folder: Path, tmp_path: Path) -> None:
    """An existing folder, file or dangling link of that name refuses the addition and stays."""
    pack(folder, tmp_path / "ring.zip")
    (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
    for name in ("ring", "ring.zip", "dangling"):
        with pytest.raises(DataError, match="existing"):
            unpack(tmp_path / "ring.zip", tmp_path / name)
    assert (folder / "private.txt").exists()
    assert not (tmp_path / "nowhere").exists()


def test_a_failure_in_the_middle_leaves_nothing(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fills while the files are written: no half folder stays."""
    pack(folder, tmp_path / "ring.zip")
    before = sorted(os.listdir(tmp_path))

    def full(self: Path, target: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "rename", full)
    with pytest.raises(DataError, match="cannot be written: No space left"):
        unpack(tmp_path / "ring.zip", tmp_path / "new")
    assert before == sorted(os.listdir(tmp_path))


@settings(max_examples=40)
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), max_size=6), st.floats(0, 1))
def test_damaged_archives_never_give_a_foreign_exception(
    tmp_path_factory: pytest.TempPathFactory, changes: list[tuple[float, int]], cut: float
) -> None:
    """Bytes flipped, the end cut off: a DataError, or (changes that do not matter) a whole profile."""
    base = tmp_path_factory.mktemp("share")
    (base / "a").mkdir()
    (base / "a" / "profile.yaml").write_text(PROFILE)
    write_reference(base / "a" / "reference.arrow", ring())
    pack(base / "a", base / "a.zip")
    data = bytearray((base / "a.zip").read_bytes())
    for where, value in changes:
        data[min(int(where * len(data)), len(data) - 1)] = value
    (base / "b.zip").write_bytes(data[: int(len(data) * min(cut * 2, 1.0))])
    try:
        unpack(base / "b.zip", base / "b")
    except DataError:
        assert not (base / "b").exists()
    else:
        assert load_plan(base / "a").circuit == load_plan(base / "b").circuit
