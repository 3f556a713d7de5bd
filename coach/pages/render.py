"""Pages from templates: escapes all external text and allows only our own scripts."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import msgspec
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from coach.errors import CoachError
from coach.pages import look

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


FOLDER: Final = Path(__file__).parent


@cache
def environment() -> Environment:
    """Return the templates of this folder; with autoescape, and errors for unknown names."""
    loader = FileSystemLoader(FOLDER / "templates")
    made = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.globals["look"] = look
    made.filters["signed"] = signed
    return made


def render(template: str, scripts: tuple[str, ...] = (), **values: Any) -> str:
    """Return a whole page; ``scripts`` are inserted unchanged, and only their hashes may run."""
    hashes = " ".join(f"'sha256-{_hash(text)}'" for text in scripts) or "'none'"
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src {hashes}; img-src data:; base-uri 'none'"
    page = environment().get_template(template)
    inline = [Markup(text) for text in scripts]  # our own scripts only
    return page.render(policy=policy, scripts=inline, style=Markup(look.css_colours() + asset("page.css")), **values)


@cache
def asset(name: str) -> str:
    """Return the text of a file in ``static``."""
    return (FOLDER / "static" / name).read_text(encoding="utf-8")


def embedded(value: Any) -> Markup:
    """Return ``value`` as JSON safe inside a script element for any text."""
    text = msgspec.json.encode(value).decode()
    for character in "<>&\u2028\u2029":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)


def signed(value: float, decimals: int = 2) -> str:
    """Return a number with its sign; a real minus sign, no negative zero."""
    text = f"{value:+.{decimals}f}"
    if not text.strip("+-0."):
        return f"{0:.{decimals}f}"
    return text.replace("-", "\N{MINUS SIGN}")


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
