"""Finds values of one series at one time that differ: all but one would be lost silently."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.decode.message import PayloadError, Reason
from ingest.decode.sample import Sample


def two_values(samples: Sequence[Sample]) -> tuple[Sequence[Sample], Sequence[PayloadError]]:
    """The samples of a message that contradict no other, and a fault for each other series."""
    if len(samples) < 2:
        return samples, ()
    together: dict[tuple[str, str, str, int | None], list[Sample]] = {}
    for sample in samples:
        series = (sample.tank, sample.quantity, sample.sensor, sample.time_us)
        together.setdefault(series, []).append(sample)
    if len(together) == len(samples):
        return samples, ()
    kept: list[Sample] = []
    faults: list[PayloadError] = []
    for (_, quantity, sensor, _), found in together.items():
        if len({(one.value, one.scale) for one in found}) == 1:
            kept += found
            continue
        values = ", ".join(f"{one.value:.6g}" for one in found[:4])
        faults.append(
            PayloadError(
                Reason.TWO_VALUES,
                f"{quantity} of sensor {sensor} is {values} at one time; allowed: one value, or "
                "another sensor name for each",
            )
        )
    return kept, faults
