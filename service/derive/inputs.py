"""What is loaded of one tank before anything is derived from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from service.derive.co2.calibration import ProbeHistory, probe_history
from service.derive.inhabitants.tolerance import Tolerance, tolerance_of
from service.derive.sensors.choice import ChosenSeries, why_no_reading
from service.derive.sensors.probe_out import ProbeOut, probe_out_text
from service.registry.models.ingest import DeviceClock
from service.registry.models.log import LogEntry
from service.registry.models.tank import Tank
from service.store.model import Reading, Samples, SeriesInfo, SeriesKey
from service.times import to_us


@dataclass(frozen=True)  # without slots, for what is computed once
class Inputs:
    """The readings and log entries of one tank that values are derived from.

    Attributes:
        now: UTC.
        start: since when ``samples`` were read; ``now`` where only the newest readings were.
        log: entries up to ``now``, newest first.
        infos: what the store holds of each series of the tank, as far as they count.
        left_out: how many more series the store holds.
        slips: the series whose newest reading is a single impossible one.
        clocks: those of devices that are off by a known constant.
        probes_out: spans in which a probe was out of the tank, or may have been; ``latest`` and
            ``samples`` are without them.
        chosen: by quantity, the series that counts.
        first_sensors: by quantity, the sensor that was there first.
        latest: by quantity, the newest usable reading of that series.
        samples: by quantity, usable readings or means of that series.
        paired_temperature: temperature reading nearest to the latest pH reading.
    """

    tank: Tank
    now: datetime
    start: datetime
    log: tuple[LogEntry, ...] = ()
    infos: tuple[SeriesInfo, ...] = ()
    chosen: Mapping[str, ChosenSeries] = field(default_factory=dict)
    first_sensors: Mapping[str, str] = field(default_factory=dict)
    latest: Mapping[str, Reading] = field(default_factory=dict)
    samples: Mapping[str, Samples] = field(default_factory=dict)
    paired_temperature: Reading | None = None
    left_out: int = 0
    slips: frozenset[SeriesKey] = frozenset()
    clocks: tuple[DeviceClock, ...] = ()
    probes_out: tuple[ProbeOut, ...] = ()

    @cached_property
    def tolerance(self) -> Tolerance:
        """What the animals tolerate together at ``now``."""
        return tolerance_of(self.tank, self.log, self.now)

    @cached_property
    def ph_probe(self) -> ProbeHistory:
        """The history of the pH probe that counts."""
        return probe_history(self.tank, self.log, self.sensor("ph"))

    def series(self, quantity: str) -> Samples:
        """The samples of a quantity; none where it is not measured."""
        return self.samples.get(quantity) or Samples.empty()

    def sensor(self, quantity: str) -> str | None:
        """The sensor that counts for a quantity; None where it is not measured."""
        info = (self.chosen.get(quantity) or ChosenSeries(None)).info
        return None if info is None else info.key.sensor

    def why_none(self, quantity: str) -> str:
        """One sentence on why a quantity has no present value."""
        chosen = self.chosen.get(quantity) or ChosenSeries(None)
        key = None if chosen.info is None else chosen.info.key
        for one in self.probes_out:
            if one.key == key and one.holds(to_us(self.now)):
                return probe_out_text(one, self.tank)
        return why_no_reading(quantity, chosen.info, self.latest.get(quantity), self.now)

    def reasons(self, quantity: str) -> tuple[str, ...]:
        """Why another sensor than the tank's own choice counts."""
        return (self.chosen.get(quantity) or ChosenSeries(None)).reasons
