"""Tables and small curves on a terminal."""

from __future__ import annotations

from service.cli.output.terminal import sparkline


def test_sparkline():
    assert sparkline([]) == ""
    assert sparkline([None]) == ""
    assert sparkline([1.0, None, 2.0, 1.5]) == "▁ █▅"
    assert sparkline([3.0, 3.0]) == "▁▁"
