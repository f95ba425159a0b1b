"""A mail's words, once: as plain text and as HTML, which say the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from markupsafe import Markup, escape

_STYLE: Final = "font:16px/1.5 sans-serif;color:#1c2b2b;background:#fff;max-width:40em"


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; ``level`` 1 is a tank, 2 a part of its text."""

    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; ``link`` after its words."""

    text: str
    link: str = ""


@dataclass(frozen=True, slots=True)
class Item:
    """A thing to do: its title, and how."""

    title: str
    text: str = ""

    @property
    def after_title(self) -> str:
        """What ends the title where a text follows."""
        if not self.title or not self.text:
            return ""
        return " " if self.title.endswith("?") else ". "


@dataclass(frozen=True, slots=True)
class Items:
    """A list; ``numbered`` where other texts refer to its numbers."""

    items: tuple[Item, ...]
    numbered: bool = False


Block = Heading | Paragraph | Items


def texts_of(block: Block) -> Iterator[str]:
    """The words of a part of a letter."""
    if isinstance(block, Items):
        for one in block.items:
            yield from (one.title, one.text)
    else:
        yield block.text


@dataclass(frozen=True, slots=True)
class Letter:
    """The words of a mail.

    Attributes:
        subject: one line.
        thread: what it belongs with: a tank's id, or "" for a mail about several tanks.
        blocks: its text.
        footer: what stands small at its end.
        urgent: it should be read at once.
    """

    subject: str
    thread: str
    blocks: tuple[Block, ...]
    footer: tuple[Paragraph, ...] = ()
    urgent: bool = False


def plain_text(letter: Letter) -> str:
    """The letter as plain text."""
    lines: list[str] = []
    for block in letter.blocks:
        lines += [*_text_lines(block), ""]
    lines.append("-- ")
    for one in letter.footer:
        lines += _text_lines(one)
    return "\n".join(lines) + "\n"


def _text_lines(block: Block) -> Iterator[str]:
    match block:
        case Heading(text, level):
            yield text
            yield ("=" if level == 1 else "-") * len(text)
        case Paragraph(text, link):
            yield f"{text} {link}".strip()
        case Items(items, numbered):
            for number, one in enumerate(items, start=1):
                sign = f"{number}." if numbered else "-"
                yield f"{sign} {one.title}{one.after_title}{one.text}"


def html(letter: Letter) -> str:
    """The letter as HTML: no pictures, no scripts, nothing that is fetched when it is read."""
    blocks = Markup("\n").join(map(_html_of, letter.blocks))
    footer = Markup("\n").join(map(_html_of, letter.footer))
    return str(
        Markup(
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            '<title>{}</title></head>\n<body style="{}">\n{}\n'
            '<hr><div style="font-size:14px">\n{}\n</div>\n</body></html>\n'
        ).format(letter.subject, _STYLE, blocks, footer)
    )


def _html_of(block: Block) -> Markup:
    match block:
        case Heading(text, level):
            size = 22 if level == 1 else 17
            return Markup('<h{0} style="font-size:{1}px;margin:1em 0 .3em">{2}</h{0}>').format(
                level, size, text
            )
        case Paragraph(text, link):
            anchor = Markup('<a href="{0}">{0}</a>').format(link) if link else Markup("")
            return Markup("<p>{} {}</p>").format(text, anchor)
        case Items(items, numbered):
            tag = Markup("ol") if numbered else Markup("ul")
            style = "padding-left:1.2em"
            return Markup('<{0} style="{1}">\n{2}\n</{0}>').format(
                tag, style, Markup("\n").join(map(_item, items))
            )


def _item(one: Item) -> Markup:
    title = Markup("<b>{}</b>{}").format(one.title, one.after_title) if one.title else ""
    return Markup('<li style="margin-bottom:.5em">{}{}</li>').format(title, escape(one.text))
