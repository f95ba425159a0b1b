"""docs/ingest.md and docs/payloads.md say what the code does."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from ingest.decode.decoder import decode
from ingest.decode.message import Message, Reason
from ingest.decode.payloads import FORMATS
from ingest.decode.routes import Router
from service.config import RouteConfig
from service.config.route_schema import FORMATS as CONFIG_FORMATS
from service.quantities import QUANTITIES
from service.store import NOT_USABLE, Flag

DOCS = Path(__file__).parents[2] / "docs"
INGEST = (DOCS / "ingest.md").read_text(encoding="utf-8")
PAYLOADS = (DOCS / "payloads.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^\| `(littoral/\S+)` \| `(.+)` \| (.+) \|$", PAYLOADS, re.MULTILINE)


def test_there_are_examples():
    assert len(EXAMPLES) == 13


@pytest.mark.parametrize(("topic", "payload", "stored"), EXAMPLES)
def test_example_is_stored_as_the_page_says(topic, payload, stored):
    samples, rejections, _ = decode(
        Message(topic, payload.encode(), 1_900_000_100_000_000),
        Router("littoral").targets(topic),
        {"reed"},
    )
    assert list(rejections) == []
    found = ", ".join(f"{s.quantity} {s.sensor} {s.value:.6g}" for s in samples)
    assert found == stored


def test_line_protocol_example():
    text = re.search(r"```\n(water.*?)```", PAYLOADS, re.DOTALL)[1]
    router = Router("littoral", [RouteConfig("lines", format="line")])
    samples, rejections, _ = decode(
        Message("lines", text.encode(), 1), router.targets("lines"), {"reed"}
    )
    assert list(rejections) == []
    assert [(s.quantity, s.sensor, s.value) for s in samples] == [
        ("temperature", "rear", 24.5),
        ("ph", "rear", 6.62),
        ("illuminance", "main", 12000.0),
    ]


def test_every_reason_flag_format_and_quantity_is_described():
    assert [r for r in Reason if f"`{r}`" not in INGEST] == []
    for flag in Flag:
        row = f"| `{flag.name}` | {flag.value} |"
        (line,) = [line for line in INGEST.splitlines() if line.startswith(row)]
        assert line.split("|")[4].strip().startswith("no" if flag & NOT_USABLE else "yes")
    assert [name for name in FORMATS if f"`{name}`" not in PAYLOADS] == []
    assert set(FORMATS) == set(CONFIG_FORMATS)
    assert [f"`{q.name}` {q.ucum}" for q in QUANTITIES.values()] == re.findall(
        r"`\w+` \S+(?=[,.])",
        PAYLOADS.split("canonical units:")[1].split("Any unit")[0].replace("\n", " "),
    )
