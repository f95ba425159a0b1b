"""Rule `sensor-clock`: a device's clock is off by a constant, or cannot be relied on at all.

Judges what the ingester recognised (`docs/ingest.md`), of sensors that report. Sensors whose clocks
are off by the same are one recommendation; so is each that has given no reading of known time for
half an hour. Clears as soon as the clock is right.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta

from service.advice.engine.recommendation import Amount, Evidence, Finding, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Who
from service.advice.phrases import capitalised, listed
from service.advice.rules.sensors.groups import (
    NAMES_SHOWN,
    group_subject,
    name_of,
    names_of,
    subject_of,
)
from service.advice.rules.sensors.silent import RESTS_ON
from service.derive.sensors.choice import age_min
from service.derive.sensors.device_clock import NEAR_S, NEVER_SET_S, clock_text, sends_local_time
from service.registry.models.ingest import DeviceClock
from service.store.model import Flag, SeriesInfo
from service.times import from_us

CODE = "sensor-clock"
UNTIMED_MIN = 30.0
"""A sensor that has given no reading of known time for so long is reported. Our choice."""
Pair = tuple[DeviceClock, SeriesInfo]


def judge(case: Case) -> Iterator[Finding]:
    """One finding for the sensors whose clocks are off by the same."""
    sensors = {(one.key.quantity, one.key.sensor): one for one in case.view.sensors}
    least = case.limit("sensor_silent_min")
    pairs = []
    for clock in case.view.clocks:
        info = sensors.get((clock.quantity, clock.sensor))
        if info is not None and age_min(info.last, case.now) < least:
            pairs.append((clock, info))
    for group in _alike(pairs):
        yield _finding(case, group)
    known = {info.key for _, info in pairs}
    for info in sensors.values():
        if info.key not in known and _is_untimed(case, info, least):
            yield _of_unknown_time(case, info)


def _is_untimed(case: Case, info: SeriesInfo, least_min: float) -> bool:
    """Whether the sensor that counts reports, but nobody has known for a while when it measured."""
    if Flag.CLOCK not in info.last.flags or age_min(info.last, case.now) >= least_min:
        return False
    usable = case.view.latest.get(info.key.quantity)
    if usable is None:
        return True
    return usable.sensor == info.key.sensor and age_min(usable, case.now) >= UNTIMED_MIN


def _of_unknown_time(case: Case, info: SeriesInfo) -> Finding:
    name = name_of(info)
    return Finding(
        code=CODE,
        subject=f"{subject_of(info)}, time unknown",
        severity=Severity.ADVICE,
        title=f"The clock of the {name} can't be relied on",
        action=(
            f"Readings arrive, but their times are wrong, and not always by as much. So they don't "
            f"count for {RESTS_ON.get(info.key.quantity, info.key.quantity)}. Let it set its clock "
            "from the network (NTP), or send no time: then the time of arrival counts."
        ),
        evidence=(
            Evidence(
                "newest reading, by its arrival", info.key.quantity, info.last.value, "",
                time=from_us(info.last.time_us), source=f"sensor {info.key.sensor}",
            ),
        ),
        who=Who.KEEPER,
        confidence=0.8,
        since=from_us(info.last.time_us),
    )  # fmt: skip


def _alike(pairs: Sequence[Pair]) -> list[list[Pair]]:
    """Groups of clocks that are off by the same, from the slowest on."""
    groups: list[list[Pair]] = []
    for pair in sorted(pairs, key=lambda one: (one[0].fast_s, one[1].key)):
        if groups and pair[0].fast_s - groups[-1][0][0].fast_s <= NEAR_S:
            groups[-1].append(pair)
        else:
            groups.append([pair])
    return groups


def _finding(case: Case, group: Sequence[Pair]) -> Finding:
    clock = group[0][0]
    infos = [info for _, info in group]
    what = capitalised(clock_text(clock, case.tank, case.now))
    names = listed(sorted({info.key.sensor for info in infos})[:NAMES_SHOWN])
    return Finding(
        code=CODE,
        subject=group_subject(case, CODE, infos),
        severity=Severity.ADVICE,
        title=what,
        action=(
            f"{_todo(case, clock, names)} Meanwhile its readings count: Littoral corrects their "
            f"times. Affected: {names_of(infos)}."
        ),
        evidence=(
            Evidence(
                "how far the device's clock is ahead", "clock-offset",
                float(clock.fast_s), "s", time=clock.since, source=f"sensor {clock.sensor}",
            ),
        ),
        amounts=(Amount("clock fast by", clock.fast_s / 60, "min"),),
        who=Who.KEEPER,
        confidence=0.9,
        since=clock.since,
    )  # fmt: skip


def _todo(case: Case, clock: DeviceClock, names: str) -> str:
    if clock.fast_s < -NEVER_SET_S:
        return f"Let {names} set its clock from the network (NTP) when it starts."
    if sends_local_time(clock, case.tank, case.now):
        zone = case.tank.time_zone
        example = "Europe/Lisbon" if zone == "UTC" else zone
        return (
            f'Let {names} send UTC, or put time_zone = "{example}" (where its clock is) into its '
            "route, or a [[sensor]] of its own."
        )
    return (
        f"Let {names} set its clock from the network (NTP), or put clock_offset_s = "
        f"{clock.fast_s} into its route, or a [[sensor]] of its own."
    )


RULE = Rule(CODE, "a device's clock is off, by a constant or altogether", judge, timedelta(0),
            settling=timedelta(days=7))  # fmt: skip
