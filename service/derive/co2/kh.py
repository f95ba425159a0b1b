"""The KH in force: the newest KH test, carried through the water changes since."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time

import numpy as np
import numpy.typing as npt

from service.derive.co2.kh_kit import measured_by
from service.derive.models.co2 import KhInForce
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.carbonate.inputs import MAX_ALKALINITY_MEQ_L
from service.science.carbonate.inverse import alkalinity_after_bicarbonate
from service.science.carbonate.kh_test import MeasuredAlkalinity, after_mixing
from service.science.water.change import concentration_after_changes
from service.times import to_us

TESTED = "KH test in the log"

CARRIED_SD_SHARE = 0.05
"""Each water change that a KH test is carried through adds this share of the value to its
standard deviation: fractions are judged by eye and tap water varies. Our choice."""


_MOVING = (LogKind.KH_TEST, LogKind.WATER_CHANGE, LogKind.BUFFER)


@dataclass(frozen=True, slots=True)
class _Step:
    """From ``time_us`` on the KH is this."""

    time_us: int
    kh: KhInForce


def kh_in_force(tank: Tank, log: Sequence[LogEntry], now: datetime) -> KhInForce | None:
    """The KH that counts at ``now``.

    Args:
        tank: its registered value counts until there is a KH test in the log.
        log: newest first; KH tests and water changes are used.

    Returns:
        None when there is neither a test nor a registered value.
    """
    before = oldest_first(one for one in log if one.kind in _MOVING and one.time <= now)
    tests = [number for number, entry in enumerate(before) if _is_test(entry)]
    # What came before the newest test no longer matters.
    steps = _steps(tank, before[tests[-1] :] if tests else before)
    return steps[-1].kh if steps else None


def kh_at(
    tank: Tank, log: Sequence[LogEntry], time_us: npt.NDArray[np.int64]
) -> MeasuredAlkalinity:
    """The alkalinity at each moment as known now, with its errors.

    A test shows that the alkalinity has moved since the test before: in hindsight it moved
    evenly, so what the test found on top of what was expected is spread over the time between.

    Args:
        time_us: (n,), microseconds since 1970-01-01 UTC.

    Returns:
        meq/L (n,); NaN before the first known value.
    """
    # the few that count first: most of a log are doses and trims
    steps = _steps(tank, oldest_first(one for one in log if one.kind in _MOVING))
    unknown = MeasuredAlkalinity(*(np.asarray(np.nan) for _ in range(3)))
    measured = [unknown, *(step.kh.measured for step in steps)]
    values = np.array([one.value_meq_l for one in measured])
    half_widths = np.array([one.half_width_meq_l for one in measured])
    spreads = np.array([one.sd_meq_l for one in measured])
    starts = np.array([step.time_us for step in steps], dtype=np.int64)
    index = np.searchsorted(starts, time_us, side="right")
    found = values[index]
    for begin, end, residual in _residuals(steps):
        here = (time_us >= begin) & (time_us < end)
        found[here] += residual * (time_us[here] - begin) / (end - begin)
    return MeasuredAlkalinity(np.maximum(found, 0.0), half_widths[index], spreads[index])


def _residuals(steps: Sequence[_Step]) -> Iterator[tuple[int, int, float]]:
    """Between which tests the alkalinity moved by how much more than was expected, meq/L."""
    last_test: int | None = None
    for number, step in enumerate(steps):
        tested = step.kh.tested
        if step.kh.source == TESTED:
            if last_test is not None and step.time_us > last_test:
                expected = steps[number - 1].kh.measured.value_meq_l
                residual = float(step.kh.measured.value_meq_l - expected)
                yield last_test, step.time_us, residual
            last_test = step.time_us
        elif number == 0 and tested is not None:
            last_test = to_us(tested)


def _steps(tank: Tank, log: Sequence[LogEntry]) -> list[_Step]:
    """The KH over time, oldest first, as the log is."""
    steps = []
    if tank.kh_meq_l is not None:
        tested = tank.kh_tested
        when = None if tested is None else datetime.combine(tested, time(), UTC)
        # It is "as last known", so it also counts for the days before it was written down.
        measured = measured_by(tank.kh_kit, tank.kh_meq_l)
        registered = KhInForce(tank.kh_meq_l, measured, when, "registered with the tank")
        steps.append(_Step(-(2**62), registered))
    for entry in log:
        if _is_test(entry):
            value = float(entry.data["kh_meq_l"])
            tested_now = KhInForce(value, measured_by(tank.kh_kit, value), entry.time, TESTED)
            steps.append(_Step(to_us(entry.time), tested_now))
        elif entry.kind == LogKind.WATER_CHANGE and steps:
            carried = _after_change(tank, steps[-1].kh, entry)
            if carried is not None:
                steps.append(_Step(to_us(entry.time), carried))
        elif entry.kind == LogKind.BUFFER and steps:
            raised = _after_buffer(tank, steps[-1].kh, entry)
            if raised is not None:
                steps.append(_Step(to_us(entry.time), raised))
    return steps


def _is_test(entry: LogEntry) -> bool:
    return entry.kind == LogKind.KH_TEST and "kh_meq_l" in entry.data


def _after_buffer(tank: Tank, before: KhInForce, entry: LogEntry) -> KhInForce | None:
    """The alkalinity after a bicarbonate was added; None where the volume is not known."""
    volume_l = net_volume_l(tank)
    if volume_l is None or before.tested is None or before.tested >= entry.time:
        return None
    grams, salt = float(entry.data["g"]), str(entry.data["salt"])
    value = float(alkalinity_after_bicarbonate(before.meq_l, grams, volume_l, salt=salt))
    if value > MAX_ALKALINITY_MEQ_L:
        return None  # a slip in the log
    raised = value - before.meq_l
    measured = replace(
        before.measured,
        value_meq_l=np.asarray(before.measured.value_meq_l + raised),
        sd_meq_l=np.hypot(before.measured.sd_meq_l, CARRIED_SD_SHARE * raised),
    )
    source = "KH test carried through water changes and buffer"
    return KhInForce(value, measured, before.tested, source)


def _after_change(tank: Tank, before: KhInForce, entry: LogEntry) -> KhInForce | None:
    """The alkalinity after a water change; None where it is unknown or nothing changed."""
    tap = entry.data.get("kh_meq_l", tank.water_change.tap_kh_meq_l)
    fraction = entry.data.get("fraction")
    if tap is None or fraction is None:
        return None
    if before.tested is None or before.tested >= entry.time:
        return None
    value = float(concentration_after_changes(before.meq_l, float(tap), float(fraction)))
    mixed = after_mixing(before.measured, float(fraction), measured_by(tank.kh_kit, float(tap)))
    measured = replace(mixed, sd_meq_l=np.hypot(mixed.sd_meq_l, CARRIED_SD_SHARE * value))
    return KhInForce(value, measured, before.tested, "KH test carried through water changes")
