"""On return from an absence: what happened, what was done, what is open, what changed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from service.advice.engine.instruction import NumberedCautions
from service.advice.engine.recommendation import Recommendation
from service.advice.phrases import span
from service.derive.models.co2_days import Co2Day
from service.derive.models.light import LightDay
from service.derive.models.tank_view import TankView
from service.registry.log.entry_text import entry_text
from service.registry.models.absence import Absence
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.pictures import Picture
from service.registry.models.recommendations import State
from service.science.water.hardness import dkh_from_meq_l

LEAST_CO2_CHANGE = 0.1
LEAST_LIGHT_CHANGE_H = 0.25
LEAST_KNOWN_SHARE = 0.9
"""CO2 of a day is compared where so much of its light is known. Our choice."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """What happened or was done in the absence, and when, UTC."""

    time: datetime
    text: str


@dataclass(frozen=True, slots=True)
class TankReturn:
    """One tank's report.

    Attributes:
        time_zone: IANA name.
        happened: in order of time: excursions and what opened.
        done: log entries of the absence, oldest first.
        open: what is still to be done, most urgent first.
        changed: sentences: how CO2, light and KH were at the end against before.
        pictures: the first and the last of the absence, with the last one before it as the first
            where there is one.
        tried: sentences: the results of the trials that were running.
    """

    tank: str
    name: str
    time_zone: str
    happened: tuple[Occurrence, ...]
    done: tuple[Occurrence, ...]
    open: tuple[Recommendation, ...]
    changed: tuple[str, ...]
    pictures: tuple[Picture, ...] = ()
    tried: tuple[str, ...] = ()

    @property
    def safety(self) -> NumberedCautions:
        """The cautions of what is still to be done."""
        return NumberedCautions(one.instruction for one in self.open)


@dataclass(frozen=True, slots=True)
class ReturnReport:
    """All tanks of an absence, looked back on.

    Attributes:
        absence: from, to, who covered.
        prepared: when the report was made, UTC.
    """

    absence: Absence
    prepared: datetime
    tanks: tuple[TankReturn, ...]


def tank_return(
    absence: Absence,
    view: TankView,
    seen: Sequence[Recommendation],
    tried: Sequence[str] = (),
    pictures: Sequence[Picture] = (),
) -> TankReturn:
    """The report of one tank.

    Args:
        tried: the results of the trials that were running, in sentences.
        view: at the return, reaching back beyond the start of the absence.
        seen: recommendations in any state that were seen since then.
        pictures: the first and the last, the first before the absence where there is one.
    """
    start, end = absence.start, min(absence.end, view.now)
    done = [one for one in reversed(view.log) if start <= one.time <= end]
    return TankReturn(
        tank=view.tank.id,
        name=view.tank.name,
        time_zone=view.tank.time_zone,
        happened=tuple(_happened(view, seen, start, end)),
        done=tuple(Occurrence(one.time, _done(one)) for one in done),
        open=tuple(one for one in seen if one.state is State.OPEN),
        changed=tuple(_changed(view, start)),
        pictures=tuple(pictures),
        tried=tuple(tried),
    )


def _happened(
    view: TankView, seen: Sequence[Recommendation], start: datetime, end: datetime
) -> list[Occurrence]:
    found = []
    for one in view.excursions:
        begin = datetime.fromtimestamp(one.start_s, UTC)
        if start <= begin <= end:
            text = (
                f"temperature {one.side} {one.limit_c:g} °C for {span(one.length_s / 60)}, "
                f"{'up' if one.side == 'above' else 'down'} to {one.peak_c:.1f} °C"
            )
            found.append(Occurrence(begin, text))
    for rec in seen:
        if start <= rec.first_seen <= end and rec.finding.code != "temperature-out":
            ended = "" if rec.state is State.OPEN else f", {_ending(rec)}"
            found.append(Occurrence(rec.first_seen, f"{_worst_title(rec)}{ended}"))
    return sorted(found, key=lambda one: (one.time, one.text))


def _worst_title(rec: Recommendation) -> str:
    """The title of its worst moment: the last one is that of its end."""
    worst = rec.extra.get("worst")
    return rec.finding.title if worst is None else str(worst["title"])


def _ending(rec: Recommendation) -> str:
    if rec.state is State.DONE and rec.extra.get("still_so"):
        return "marked as done, but still so afterwards"
    if rec.state is State.DONE and rec.extra.get("lasting"):
        return "marked as done, not over yet"
    words = {
        State.CLEARED: "over by itself",
        State.DONE: "done",
        State.DISMISSED: "dismissed",
        State.SNOOZED: "put off",
    }
    return words.get(rec.state, rec.state.value)


def _done(entry: LogEntry) -> str:
    """A log entry in words, with who did it."""
    by = f" by {entry.by}" if entry.by else ""
    note = f" ({entry.note})" if entry.note else ""
    return f"{entry_text(entry)}{by}{note}"


def _changed(view: TankView, start: datetime) -> list[str]:
    """Means of the days before the absence against those of its last days."""
    lines = []
    seen = [one for one in view.co2_days if one.known_share >= LEAST_KNOWN_SHARE]
    before = [one for one in seen if one.off_at < start]
    after = [one for one in seen if one.on_at >= start][-3:]
    if before and after:
        old, new = _mean_co2(before), _mean_co2(after)
        if abs(new / old - 1) > LEAST_CO2_CHANGE:
            lines.append(f"CO2 while lit: {old:.0f} mg/L before, {new:.0f} mg/L at the end")
    light = [(one, one.photoperiod_h) for one in view.light_days if _seen_whole(one)]
    old_h = [hours for one, hours in light if hours and one.lit[-1][1] < start]
    new_h = [hours for one, hours in light if hours and one.lit[0][0] >= start][-3:]
    if old_h and new_h:
        was, now = sum(old_h) / len(old_h), sum(new_h) / len(new_h)
        if abs(now - was) > LEAST_LIGHT_CHANGE_H:
            lines.append(f"light: {was:.1f} h a day before, {now:.1f} h at the end")
    tests = [one for one in view.log if one.kind == LogKind.KH_TEST]
    inside = [one for one in tests if one.time >= start]
    earlier = [one for one in tests if one.time < start]
    if inside and earlier:
        was, now = (_dkh(float(one.data["kh_meq_l"])) for one in (earlier[0], inside[0]))
        lines.append(f"KH: {was:.1f} dKH before, {now:.1f} dKH at the end")
    return lines


def _seen_whole(day: LightDay) -> bool:
    """Whether so much of a day was seen that its hours of light are known to a quarter."""
    return day.complete and day.photoperiod_high_h - day.photoperiod_low_h < LEAST_LIGHT_CHANGE_H


def _mean_co2(days: Sequence[Co2Day]) -> float:
    return sum(one.mean_lit_mg_l for one in days) / len(days)


def _dkh(meq_l: float) -> float:
    return float(dkh_from_meq_l(meq_l))
