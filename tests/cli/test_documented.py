"""Every command is described in docs/cli.md."""

from __future__ import annotations

from service.cli import COMMANDS
from tests.cli.conftest import ROOT


def test_every_command_is_described():
    page = (ROOT / "docs" / "cli.md").read_text(encoding="utf-8")
    for name in COMMANDS:
        assert f"littoral {name}" in page or f"`{name}`" in page, name
