"""The chart library (Apache ECharts, Apache-2.0) as one script that a page can carry inside itself.

It comes with the wheel of NiceGUI, which the editor needs anyway; that package is located, not imported.
"""

from __future__ import annotations

import re
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final

from coach.errors import CoachError

_FOLDER: Final = Path("elements", "echart", "dist")
_ENTRY: Final = re.compile(r'import\{([^}]*)\}from"\./([\w.-]+\.js)";export\{([^}]*)\}')
_EXPORTS: Final = re.compile(r"export\{([^}]*)\};?\s*(?://# sourceMappingURL=\S*\s*)?\Z")


class ChartLibraryError(CoachError):
    """The installed NiceGUI lacks the chart library in its place."""


@cache
def chart_library() -> str:
    """Return a classic script that leaves the library in ``globalThis.echarts``; raise ChartLibraryError on failure."""
    spec = find_spec("nicegui")
    if spec is None or not spec.submodule_search_locations:
        raise ChartLibraryError("the chart library comes with the package nicegui: install it again")
    folder = Path(spec.submodule_search_locations[0]) / _FOLDER
    try:
        entry = _ENTRY.search((folder / "index.js").read_text(encoding="utf-8"))
        if entry is None:
            raise ValueError("index.js has another form")
        # the bundle exports the library under short names twice: undo both renamings
        outer = _renamed(entry[3])["echarts"]
        middle = _renamed(entry[1])[outer]
        text = (folder / entry[2]).read_text(encoding="utf-8")
        exports = _EXPORTS.search(text)
        if exports is None:
            raise ValueError(f"{entry[2]} has another form")
        inner = _renamed(exports[1])[middle]
    except (OSError, KeyError, ValueError) as error:
        raise ChartLibraryError(f"the chart library in {folder} cannot be read: {error}") from None
    script = f"(()=>{{{text[: exports.start()]};globalThis.echarts={inner}}})();"
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _renamed(names: str) -> dict[str, str]:
    """Return ``a as b`` -> {b: a}; used for exports (outer name -> inner) and imports (local name -> outer)."""
    out = {}
    for part in names.split(","):
        left, _, right = part.strip().partition(" as ")
        out[right or left] = left
    return out
