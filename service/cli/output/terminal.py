"""Tables and small curves for people, on a terminal or piped."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import click
from rich.console import Console, RenderableType
from rich.table import Table
from rich.text import Text

_BARS: Final = "▁▂▃▄▅▆▇█"
_GAP: Final = " "
_PLAIN_WIDTH: Final = 1000
"""Lines that are piped are not broken."""
_WIDE: Final = 110
"""A terminal of so many columns has room for curves in a table."""


def table(*headers: str) -> Table:
    """A table without lines, which reads the same on a terminal and in a file."""
    made = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=bool(headers))
    *others, last = headers or ("", "")
    for header in others:
        made.add_column(Text(header, "bold"), no_wrap=bool(headers))
    made.add_column(Text(last, "bold"), no_wrap=not headers)
    return made


def is_wide() -> bool:
    """Whether there is room for curves in a table."""
    console = Console()
    return not console.is_terminal or console.width >= _WIDE


def show(what: RenderableType) -> None:
    """Print with colours and to the width of the terminal; plain where it is piped."""
    console = Console()
    if console.is_terminal:
        console.print(what, highlight=False, markup=False)
    else:
        click.echo(plain_text(what))


def plain_text(what: RenderableType) -> str:
    """What is shown, without colours and line breaks of its own."""
    console = Console(width=_PLAIN_WIDTH, color_system=None, force_terminal=False)
    with console.capture() as captured:
        console.print(what, highlight=False, markup=False)
    return "\n".join(line.rstrip() for line in captured.get().splitlines())


def sparkline(values: Sequence[float | None]) -> str:
    """A row of bars from the lowest to the highest value; a blank where there is none."""
    known = [value for value in values if value is not None]
    if not known:
        return ""
    low, high = min(known), max(known)
    step = (high - low) / (len(_BARS) - 1)
    return "".join(
        _GAP if value is None else _BARS[round((value - low) / step) if step else 0]
        for value in values
    )
