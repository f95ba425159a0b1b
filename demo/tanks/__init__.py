"""The invented tanks of the demo: names, people, measurements and events are all made up."""

from __future__ import annotations

from datetime import datetime

from demo.scenario import Almanac, Scenario
from demo.tanks import emberpane, lateleaf, quillwater


def scenario(origin: datetime) -> Scenario:
    """The three tanks, as they are at ``origin`` (UTC)."""
    almanac = Almanac(origin)
    return Scenario(
        origin, tuple(tank.build(almanac) for tank in (quillwater, lateleaf, emberpane))
    )
