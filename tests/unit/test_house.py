"""The house: each room stands on a floor and imports only from floors below, so there is no way up and no circle."""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[2]
MODULES: Final = sorted((ROOT / "coach").rglob("*.py"))
FLOORS: Final = (
    "errors files identity core.columns core.phases core.unit_system core.values",
    "core.events core.numeric",
    "core.track",
    "core.locate",
    "core.measure",
    "core.diagnose survey",
    "core.track_model pages",
    "core.cue",
    "core.pass_recorder outputs profile session",
    "core.session_tracker inputs app.sources app.guide app.engine app.paths app.voice_choice",
    "core.pipeline app.importing app.doctor",
    "app.setup",
    "app.rerun",
    "app.circuits",
    "app.review app.reaching",
    "app.surveying",
    "app.live",
    "app.replay app.mapping",
    "app.edit",
    "cli",
)
"""From the ground up. A room is a folder of coach/, a folder of core or app, or a file that lies beside those."""
FLOOR_OF: Final = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms.split()}
LARGEST: Final = 500
"""Lines; above that a file has more than one idea."""

Arrow = tuple[str, str]


def name_of(path: Path) -> str:
    """The module's dotted name below ``coach``; "" for the package itself."""
    parts = path.relative_to(ROOT / "coach").with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    """The room of a module by its dotted name below ``coach``."""
    parts = module.split(".")
    return ".".join(parts[: 2 if parts[0] in ("core", "app") else 1])


def arrows() -> dict[Arrow, str]:
    """Every import from one room into another, with a module that has it; the package's own face is left out."""
    found: dict[Arrow, str] = {}
    for path in MODULES:
        module = name_of(path)
        if module in ("", "__main__"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            for name in names:
                top, _, rest = name.partition(".")
                if top == "coach" and rest and room_of(rest) != room_of(module):
                    found.setdefault((room_of(module), room_of(rest)), f"coach.{module} imports {name}")
    return found


def upward(found: Iterable[Arrow], floor_of: Mapping[str, int]) -> list[Arrow]:
    """The arrows that do not lead to a lower floor."""
    return [(a, b) for a, b in found if floor_of[b] >= floor_of[a]]


def circles(found: Iterable[Arrow]) -> list[str]:
    """Rooms from which a way of imports leads back."""
    leads: dict[str, set[str]] = defaultdict(set)
    for a, b in found:
        leads[a].add(b)

    def reached(start: str) -> set[str]:
        seen: set[str] = set()
        front = [start]
        while front:
            new = leads[front.pop()] - seen
            seen |= new
            front += new
        return seen

    return [room for room in sorted(leads) if room in reached(room)]


def drawing() -> str:
    """The house as DEVELOPERS.md shows it."""
    found = arrows()
    rows = [f"{floor:2}  {'  '.join(rooms.split())}" for floor, rooms in reversed(list(enumerate(FLOORS)))]
    rows.append(f"arrows up {len(upward(found, FLOOR_OF))}, circles {len(circles(found))}")
    return "\n".join(rows)


def test_every_room_has_a_floor() -> None:
    """A new room is given its floor in FLOORS, and a room that went is taken out."""
    rooms = {room_of(name_of(p)) for p in MODULES if name_of(p) not in ("", "__main__", "core", "app")}
    assert set(FLOOR_OF) == rooms


def test_no_import_leads_up() -> None:
    """Every import leads to a lower floor."""
    found = arrows()
    assert [] == [f"{found[a]} (up or level)" for a in upward(found, FLOOR_OF)]


def test_no_circle() -> None:
    """No room reaches itself by way of others."""
    assert [] == circles(arrows())


def test_planted_arrows_are_seen() -> None:
    """An arrow up is reported, and so is the circle that it closes."""
    planted = ("core.measure", "core.cue")
    found = [*arrows(), planted]
    assert [planted] == upward(found, FLOOR_OF)
    assert {"core.measure", "core.cue"} <= set(circles(found))


def test_the_guide_draws_the_house() -> None:
    """The drawing in DEVELOPERS.md is the one that these data give."""
    assert drawing() in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_places_that_the_guide_names_exist() -> None:
    """A stranger who follows DEVELOPERS.md finds a file or folder at every path that it names."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`((?:coach|feeds|tests|profiles|replay_samples)/[\w./]*)`", text))
    assert len(named) > 20
    assert [] == sorted(path for path in named if not (ROOT / path).exists())


def test_no_file_is_too_long() -> None:
    """No file has more than LARGEST lines."""
    lines = {name_of(p): len(p.read_text(encoding="utf-8").splitlines()) for p in MODULES}
    assert {} == {name: n for name, n in lines.items() if n > LARGEST}


if __name__ == "__main__":
    print(drawing())
