"""Accessibility of a page, by axe-core."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page

WCAG_AA = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
OPTIONS = {
    "runOnly": {"type": "tag", "values": WCAG_AA},
    # Of what passes only one element each, and no selectors: to gather them takes half of the time.
    "resultTypes": ["violations"],
    "selectors": False,
    # Not the style sheets once more: only an experimental rule asks for them, which does not run.
    "preload": {"assets": ["media"]},
}


def violations(page: Page) -> list[str]:
    """What axe-core finds against WCAG 2.2 A and AA."""
    found = Axe().run(page, options=OPTIONS)
    passes = found.response["passes"]
    assert len(passes) > 10, "axe checked next to nothing"
    return [
        f"{one['id']}: {node['html'][:120]} {node.get('failureSummary', '')}"
        for one in found.response["violations"]
        for node in one["nodes"]
    ]
