"""A text as a QR code (ISO/IEC 18004): as SVG for a page, and as characters for a terminal."""

from __future__ import annotations

import io
from typing import Final

_LEVEL: Final = "m"
"""15 % of it may be dirty: the usual level."""

_QUIET: Final = 4
"""Modules of margin that the standard asks for."""

_LIGHT_ON_DARK: Final = "\033[97;40m"
"""A reader wants dark modules on light, whatever colours the terminal has."""

_RESET: Final = "\033[0m"


def qr_svg(text: str, title: str) -> str:
    """An ``svg`` element to put into a page; without any style, which our policy forbids.

    Args:
        title: what it is, for who can't see it.
    """
    import segno  # a megabyte, for a page that is rarely asked for

    made = segno.make_qr(text, error=_LEVEL)
    return made.svg_inline(
        border=_QUIET, light="#fff", dark="#000", svgclass="qr", lineclass=None, title=title,
        omitsize=True,
    )  # fmt: skip


def qr_terminal(text: str) -> str:
    """Lines of half blocks, two rows of modules in each."""
    import segno

    out = io.StringIO()
    segno.make_qr(text, error=_LEVEL).terminal(out=out, border=_QUIET, compact=True)
    lines = out.getvalue().splitlines()
    return "\n".join(f"{_LIGHT_ON_DARK}{line}{_RESET}" for line in lines)
