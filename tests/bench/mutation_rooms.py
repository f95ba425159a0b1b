"""Rooms of the code with the tests that should notice a wrong operator in them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Room:
    """Code and the tests that should notice what is wrong in it.

    Attributes:
        code: its folder.
        tests: folders and files.
        but: modules (a regular expression of their paths below it) that are left out.
        left_out: tests (an expression for ``pytest -k``) that are left out.
    """

    code: str
    tests: tuple[str, ...]
    but: str = "$^"
    left_out: str = ""

    def modules(self, tree: Path) -> list[Path]:
        """The files that are changed."""
        folder = tree / self.code
        found = sorted(folder.rglob("*.py"))
        return [f for f in found if not re.match(self.but, f.relative_to(folder).as_posix())]

    def test_files(self, tree: Path) -> list[Path]:
        """The files with its tests."""
        places = [tree / one for one in self.tests]
        return [f for one in places for f in ([one] if one.is_file() else one.rglob("test_*.py"))]


ROOMS = {
    "science": Room("service/science", ("tests/science",)),
    "ingest": Room("ingest", ("tests/ingest",)),
    # the page of practice is compared with the thresholds, and the API gives all calculations
    "derive": Room(
        "service/derive", ("tests/derive", "tests/api/calculate", "tests/docs/test_readme.py")
    ),
    # sheets, absences and what a link reports are asked for over HTTP
    "advice": Room(
        "service/advice",
        (
            "tests/advice",
            "tests/scenarios",
            "tests/docs/test_readme.py",
            "tests/api/test_handover.py",
            "tests/api/resources/handover",
        ),
    ),
    # SQLite, and what all stores share: the real servers take their time
    "store": Room("service/store", ("tests/store",), r"influx|victoria|http", "influx or victoria"),
    "remote-store": Room("service/store", ("tests/store",), r"(?!influx|victoria|http)"),
    "api": Room("service/api", ("tests/api",)),
    # ingest applies the calibrations, and a backup of servers copies the registry
    "registry": Room(
        "service/registry",
        ("tests/registry", "tests/ingest/process/test_calibration.py", "tests/backup"),
    ),
    "integrations": Room("service/integrations", ("tests/integrations",)),
}
