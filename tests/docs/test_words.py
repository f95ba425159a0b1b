"""Words that people do not search for, and those that take their place, in all that they read.

Templates and scripts of the pages, what service and ingester say (texts of the code, without
docstrings, except those that the API's document and the command line show), and the documents.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[2]

INSTEAD: Final = {
    r"below 0: so many left": "minus for animals lost or removed",
    r"[Gg]ive (this|it) away": "copy this link; it will not be shown again",
    r"[Ll]inks? that opens?\b|[Nn]o link opens": "active links",
    r"what can't be\b": "impossible values",
    r"whether the broker hears": "its connection to the broker",
    r"\b(speaks?|spoke|spoken)\b": "sends, reports, reads; uses (a protocol)",
    r"last said": "latest reading",
    r"does not tell CO2": "CO2 can't be worked out from pH alone",
    r"how far to trust": "notes on this value",
    r"rest the pointer": "hover or tap",
    r"at rest for the night|of unknown worth": "normal for the night; can't be judged",
    r"What else can be said|asks? for something": "settings; needs attention",
    r"[Nn]ote it\b|[Nn]ot noted": "log it, save; not saved",
    r"\b[Mm]ind, before|what to mind": "before you start: safety",
    r"[Ww]hat came of": "report on",
    r"[Nn]othing worth|worth a word": "nothing to report",
    r"stands? open": "still to do",
    r"CO2 is there\b": "CO2 reaches its target",
    r"degrees times": "degree-hours",
    r"waters plants": "can go on plants",
    r"take CO2 with care": "don't rely on the CO2 value",
    r"refuses another listener": "not updating live: too many pages are open",
    r"however much is told": "at most every N seconds",
    r"\b(draw|drawn) off\b": "siphon",
    r"\b(gravest|weightiest)\b": "most urgent",
    r"\bpractitioners?\b": "tank keeper or owner",
    r"stir the surface": "raise the filter outlet or run an air stone",
    r"\b(is|are|was|were) told\b(?! apart)": "gets, is reported",
    r"\b[Nn]obody said\b": "not known, not stated",
    r"\b(ever new)\b": "new again and again",
    r"\breckon\w*": "estimated, computed",
    r"\b(let|lets) go of\b|\bis let go\b": "clears",
    r"\bno news\b|\bis news\b": "no change",
    r"\bgive me\b|\bgives? away\b": "show",
    r"\b(gas) (flow|too|later|earlier|is on|is off)\b": "CO2",
}
"""Pattern -> what to write. From the list of words that were found hard, with their better ones."""

_SHOWN: Final = ("service", "ingest")
_TEMPLATES: Final = ROOT / "service" / "pages" / "templates"
_SCRIPTS: Final = ROOT / "service" / "pages" / "static"


def texts() -> Iterator[tuple[str, str]]:
    """Each text that people read, and where it is."""
    for path in sorted(_TEMPLATES.rglob("*.html")):
        bare = re.sub(r"\{#.*?#\}|\{%.*?%\}|\{\{.*?\}\}", " ", path.read_text(), flags=re.DOTALL)
        yield str(path.relative_to(ROOT)), bare
    for path in sorted(_SCRIPTS.glob("*.js")):  # our own: what is vendored has a folder
        yield str(path.relative_to(ROOT)), path.read_text()
    for path in sorted((*ROOT.glob("docs/**/*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md")):
        yield str(path.relative_to(ROOT)), path.read_text()
    for folder in _SHOWN:
        for path in sorted((ROOT / folder).rglob("*.py")):
            if "versions" in path.parts:
                continue  # migrations name what was there before
            for line, text in _strings(path):
                yield f"{path.relative_to(ROOT)}:{line}", text


def _strings(path: Path) -> Iterator[tuple[int, str]]:
    """The texts of a module; placeholders as ``{}``. Docstrings only where they are shown."""
    tree = ast.parse(path.read_text())
    inner: set[int] = set()
    shown = "resources" in path.parts or "cli" in path.parts
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            inner |= {id(part) for part in node.values}
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant) and not shown:
            inner.add(id(node.value))
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            parts = [one.value if isinstance(one, ast.Constant) else "{}" for one in node.values]
            yield node.lineno, "".join(map(str, parts))
        elif isinstance(node, ast.Constant) and id(node) not in inner:
            yield node.lineno, str(node.value)


@cache
def _all_texts() -> tuple[tuple[str, str], ...]:
    return tuple(texts())


@pytest.mark.parametrize("pattern", INSTEAD)
def test_plain_words(pattern: str) -> None:
    wanted = re.compile(pattern)
    found = [
        f"{place}: …{text[max(one.start() - 40, 0) : one.end() + 40]!r}"
        for place, text in _all_texts()
        for one in wanted.finditer(text)
    ]
    assert not found, f"write {INSTEAD[pattern]!r}:\n" + "\n".join(found)


def test_the_texts_are_found() -> None:
    places = {place.partition(":")[0] for place, _ in _all_texts()}
    assert {"README.md", "service/advice/cautions.py", "docs/pages.md"} <= places
    assert any(place.endswith("tank.html") for place in places)
