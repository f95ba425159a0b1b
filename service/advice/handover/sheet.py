"""The handover sheet: what a colleague needs to carry the tanks through an absence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from service.advice import cautions
from service.advice.care_log import newest
from service.advice.engine.recommendation import Recommendation, Severity
from service.advice.engine.rule import Case
from service.advice.handover.care_plan import Task, tasks_between
from service.advice.phrases import listed, percent, span
from service.derive.models import Array, TankView
from service.registry.models import Absence, LogKind
from service.registry.recommendations import State
from service.times import from_us, to_us

PICTURE_DAYS: Final = 3
PICTURE_STEP_US: Final = 15 * 60_000_000


@dataclass(frozen=True, slots=True)
class Limit:
    """At what to act, and what to do then.

    Attributes:
        when: such as ``temperature above 26 °C``.
        value, unit: the number in it, where there is one.
        do: what to do then, in the order to do it.
    """

    when: str
    do: str
    value: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Picture:
    """The last days in little: for a small drawing.

    Attributes:
        time: (n,) UTC.
        co2_mg_l: (n,) NaN where unknown.
        lit: lit intervals, UTC.
        target_low_mg_l, target_high_mg_l: to shade.
    """

    time: tuple[datetime, ...]
    co2_mg_l: Array
    lit: tuple[tuple[datetime, datetime], ...]
    target_low_mg_l: float
    target_high_mg_l: float


@dataclass(frozen=True, slots=True)
class TankSheet:
    """One tank's page.

    Attributes:
        time_zone: IANA name; the zone that days and times of the page are in.
        state: three lines: the water now, what is to be done, what lives in it and was last done.
        open: what is to be done, most urgent first.
        tasks: for every day of the absence, in order.
        limits: at what to act; leave_alone: what not to touch.
        notes: the owner's own words.
    """

    tank: str
    name: str
    time_zone: str
    state: tuple[str, str, str]
    picture: Picture
    open: tuple[Recommendation, ...]
    tasks: tuple[Task, ...]
    limits: tuple[Limit, ...]
    leave_alone: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: str


@dataclass(frozen=True, slots=True)
class HandoverSheet:
    """All tanks of an absence.

    Attributes:
        absence: from, to, who covers, and the owner's words for all tanks.
        prepared: when the sheet was made; what happens later is not in it.
    """

    absence: Absence
    prepared: datetime
    tanks: tuple[TankSheet, ...]


def handover(
    absence: Absence,
    views: Sequence[TankView],
    active: Mapping[str, Sequence[Recommendation]],
    now: datetime,
) -> HandoverSheet:
    """The sheet of an absence.

    Args:
        views: of the tanks that it covers, in the order of the sheet.
        active: by tank, active recommendations, from the ledger.
        now: UTC.
    """
    sheets = tuple(tank_sheet(absence, view, active.get(view.tank.id, ())) for view in views)
    return HandoverSheet(absence, now, sheets)


def tank_sheet(absence: Absence, view: TankView, active: Sequence[Recommendation]) -> TankSheet:
    """One tank's page of an absence."""
    case = Case(view)
    open_ones = tuple(one for one in active if one.state is State.OPEN)
    start = max(absence.start, view.now)
    shown = [cautions.ANIMALS, cautions.MAINS]
    if view.tank.co2_injected:
        shown.insert(0, cautions.GAS)
    if view.tank.doses:
        shown.append(cautions.CHEMICALS)
    return TankSheet(
        tank=view.tank.id,
        name=view.tank.name,
        time_zone=view.tank.time_zone,
        state=(water_line(view), open_line(open_ones), life_line(case)),
        picture=picture_of(view),
        open=open_ones,
        tasks=tuple(tasks_between(case, start, absence.end)),
        limits=tuple(limits_of(case)),
        leave_alone=tuple(leave_alone(case)),
        cautions=tuple(shown),
        notes=view.tank.notes,
    )


def water_line(view: TankView) -> str:
    """The water now, or why it is not known."""
    parts = []
    reading = view.temperature.reading
    if reading is not None and view.temperature.rate_k_h is not None:
        parts.append(f"{reading.value:.1f} °C")
    elif view.temperature.reasons:
        parts.append(f"temperature unknown ({view.temperature.reasons[0]})")
    co2 = view.co2
    if co2.co2 is not None:
        parts.append(
            f"CO2 {co2.co2.value:.0f} mg/L ({co2.co2.low:.0f} to {co2.co2.high:.0f}), target "
            f"{co2.target_low_mg_l:.0f} to {co2.target_high_mg_l:.0f}: {co2.state.value}"
        )
    elif view.tank.co2_injected:
        parts.append(f"CO2 unknown ({co2.reasons[0] if co2.reasons else 'no reading'})")
    if view.light is not None and view.light.lit is not None:
        parts.append("lamp on" if view.light.lit else "lamp off")
    return "; ".join(parts)


def open_line(open_ones: Sequence[Recommendation]) -> str:
    """What is to be done, in one line."""
    if not open_ones:
        return "Nothing to do."
    grave = [one for one in open_ones if one.finding.severity >= Severity.WARNING]
    shown = [one.finding.title for one in (grave or list(open_ones))[:3]]
    more = len(open_ones) - len(shown)
    return f"Open: {'; '.join(shown)}{f'; and {more} more' if more > 0 else ''}."


def life_line(case: Case) -> str:
    """What lives in the tank and what was last done."""
    animals = [f"{stock.count} {stock.species}" for stock in case.tank.livestock if stock.count]
    lives = listed(animals) if animals else "no animals registered"
    change = newest(case, LogKind.WATER_CHANGE)
    if change is None:
        return f"{lives[0].upper()}{lives[1:]}; no water change in the log."
    share = change.data.get("fraction")
    how_much = "" if share is None else f" ({percent(float(share))})"
    return (
        f"{lives[0].upper()}{lives[1:]}; water changed {span(case.now - change.time)} ago"
        f"{how_much}."
    )


def picture_of(view: TankView) -> Picture:
    """The last days, thinned to a quarter of an hour."""
    start = view.now - timedelta(days=PICTURE_DAYS)
    series = view.co2_series
    recent = series.time_us >= to_us(start)
    slots, first = np.unique(series.time_us[recent] // PICTURE_STEP_US, return_index=True)
    values = series.value[recent]
    return Picture(
        time=tuple(from_us(int(slot) * PICTURE_STEP_US) for slot in slots),
        co2_mg_l=values[first],
        lit=tuple(
            (max(on, start), off) for day in view.light_days for on, off in day.lit if off > start
        ),
        target_low_mg_l=view.co2.target_low_mg_l,
        target_high_mg_l=view.co2.target_high_mg_l,
    )


def limits_of(case: Case) -> list[Limit]:
    """The limits at which to act, and what to do then."""
    view, tank = case.view, case.tank
    found = [
        Limit(
            "animals gasp at the surface or lie on the bottom",
            ("Close the CO2 cylinder. " if tank.co2_injected else "")
            + "Raise the filter outlet or run an air stone, then change a third of the water for "
            "water of the same temperature. Call the tank's owner.",
        )
    ]
    if view.temperature.tolerable.high_c is not None:
        found.append(
            Limit(
                f"temperature above {view.temperature.tolerable.high_c:g} °C",
                "Lid open, fan across the surface, filter outlet raised, light off; heater "
                "unplugged. "
                f"Cool by no more than {case.limit('temperature_rate_max_c_h'):g} °C per hour.",
                view.temperature.tolerable.high_c,
                "Cel",
            )
        )
    if view.temperature.tolerable.low_c is not None:
        found.append(
            Limit(
                f"temperature below {view.temperature.tolerable.low_c:g} °C",
                "Heater plugged in and set right? Lid shut, window shut, room warmed. No hot "
                "water poured in.",
                view.temperature.tolerable.low_c,
                "Cel",
            )
        )
    if tank.co2_injected and view.co2_high is not None:
        found.append(
            Limit(
                f"CO2 above {view.co2_high.ceiling_mg_l:.3g} mg/L for more than half an hour",
                "Close the CO2 cylinder and leave it closed until the owner is back; raise the "
                "filter outlet or run an air stone.",
                view.co2_high.ceiling_mg_l,
                "mg/L",
            )
        )
    on = tank.photoperiod.lights_on
    found += [
        Limit(
            f"lamp dark an hour after {on:%H:%M}",
            "Timer and plug; if it stays dark close the CO2 cylinder. A few dark days do no harm.",
        ),
        Limit(
            "a sensor silent or odd",
            "Believe a hand thermometer and your eyes; change nothing on account of the number.",
        ),
        Limit(
            "water on the floor, or the filter stopped",
            "Mains of the tank off first, from outside the puddle. Then look for the leak; a "
            "stopped filter started within an hour needs nothing more.",
        ),
    ]
    return found


def leave_alone(case: Case) -> list[str]:
    """What a colleague should not touch."""
    found = ["the heater's setting and the timers"]
    if case.tank.co2_injected:
        found.insert(
            0, "the needle valve and the regulator: close the CO2 cylinder, never open it more"
        )
    if case.tank.doses:
        found.append("fertiliser beyond the doses listed, and no second dose for a forgotten one")
    found += [
        "the filter media",
        "new animals or plants, remedies, other foods, more food",
    ]
    return found
