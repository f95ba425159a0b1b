"""Which sensor of a quantity counts where there are several, and how old its readings are."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from service.derive.thresholds import STALE_NAME, derived_limit
from service.local_words import span_words
from service.quantities import quantity_words
from service.registry.models.tank import Tank
from service.store.model import DEFAULT_SENSOR, NOT_USABLE, Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us

US_PER_MINUTE = 60_000_000

_NONE_WAS_FIRST: Final[Mapping[str, str]] = MappingProxyType({})

MOST_SENSORS: Final = 1_000
"""Series of one tank that anything is derived from: some hundred times what a tank needs. A store
may hold more from before there was a limit. Our choice."""


class Why(StrEnum):
    """Why a sensor counts."""

    CHOSEN = "chosen"  # somebody chose it for the tank
    MAIN = "main"  # it is called so, and nobody chose another
    FIRST = "first"  # it was there first, and nobody chose another
    STAND_IN = "stand-in"  # the one that should count gives no usable reading


@dataclass(frozen=True, slots=True)
class ChosenSeries:
    """The series that counts for one quantity.

    Attributes:
        info: what the store holds of it; None where the quantity is not measured.
        reasons: sentences, where it stands in for another.
        why: why this one.
    """

    info: SeriesInfo | None
    reasons: tuple[str, ...] = ()
    why: Why = Why.FIRST


def usable(reading: Reading) -> bool:
    """True if no flag speaks against deriving values from it."""
    return not reading.flags & NOT_USABLE


def age_min(reading: Reading, now: datetime) -> float:
    """Minutes since a reading was taken."""
    return (to_us(now) - reading.time_us) / US_PER_MINUTE


def considered(tank: Tank, infos: Sequence[SeriesInfo]) -> tuple[SeriesInfo, ...]:
    """The series that count, in their order: all, or the tank's own choice and the newest readings.

    Args:
        infos: the series that the store holds of this tank; at most ``MOST_SENSORS`` count.
    """
    if len(infos) <= MOST_SENSORS:
        return tuple(infos)
    wanted = tank.sensors.items()
    ranked = sorted(
        infos,
        key=lambda one: (
            (one.key.quantity, one.key.sensor) not in wanted, -one.last.time_us, one.key
        ),
    )  # fmt: skip
    return tuple(sorted(ranked[:MOST_SENSORS], key=lambda one: one.key))


def chosen_series(
    tank: Tank,
    quantity: str,
    infos: Iterable[SeriesInfo],
    now: datetime,
    slips: Collection[SeriesKey] = (),
    first: Mapping[str, str] = _NONE_WAS_FIRST,
) -> ChosenSeries:
    """Choose the series of a quantity to derive from.

    That of the tank's own choice; else ``main``; else the one that was there first: a newcomer
    takes nothing over. While it gives no usable reading, the first of these that does stands in,
    then the one with the newest reading.

    Args:
        quantity: e.g. ``ph``.
        infos: the series that the store holds of this tank.
        slips: those whose newest reading is a slip (``service.derive.sensors.slips``): one
            impossible reading must not change the sensor.
        first: quantity -> the sensor that was there first.
    """
    stale_min = derived_limit(tank, STALE_NAME.get(quantity, "stale_temperature_min"))
    mine = [one for one in infos if one.key.quantity == quantity]
    if not mine:
        return ChosenSeries(None)
    good = [
        one
        for one in mine
        if (usable(one.last) or one.key in slips) and age_min(one.last, now) <= stale_min
    ]
    ranks = _ranks(tank.sensors.get(quantity), first.get(quantity))

    def order(one: SeriesInfo) -> tuple[int, int]:
        return ranks.get(one.key.sensor, (len(ranks), Why.FIRST))[0], -one.last.time_us

    believed = min(mine, key=order)
    wanted = tank.sensors.get(quantity, believed.key.sensor)
    if believed.key.sensor == wanted and (believed in good or not good):
        return ChosenSeries(believed, why=ranks.get(wanted, (0, Why.FIRST))[1])
    chosen = min(good, key=order) if good else max(mine, key=lambda one: one.last.time_us)
    why = f"{quantity} is taken from {chosen.key.sensor}, because {wanted} gives no usable reading"
    return ChosenSeries(chosen, (why,), Why.STAND_IN)


def _ranks(chosen: str | None, first: str | None) -> dict[str, tuple[int, Why]]:
    """Sensor -> its place in the order of belief, and why it has it."""
    ranks: dict[str, tuple[int, Why]] = {}
    for sensor, why in ((chosen, Why.CHOSEN), (DEFAULT_SENSOR, Why.MAIN), (first, Why.FIRST)):
        if sensor is not None:
            ranks.setdefault(sensor, (len(ranks), why))
    return ranks


def flag_words(flags: Flag) -> str:
    """The doubts about a reading in words, such as ``stuck, late``."""
    return ", ".join(
        str(flag.name).lower().replace("_", " ") for flag in Flag if flag and flag in flags
    )


def why_no_reading(
    quantity: str, info: SeriesInfo | None, latest: Reading | None, now: datetime
) -> str:
    """One sentence on why a quantity has no present value."""
    if info is None:
        return f"no {quantity_words(quantity)} sensor has ever reported"
    sensor = f"{quantity_words(quantity)} sensor {info.key.sensor}"
    if not usable(info.last) and age_min(info.last, now) < 60:
        return f"{sensor} reports, but its readings are {_doubt(info.last)}"
    if latest is None:
        return f"{sensor} has given no usable reading"
    return f"{sensor} gave its last usable reading {ago(latest, now)}"


def ago(reading: Reading, now: datetime) -> str:
    """How long ago a reading was taken, in words."""
    return f"{span_words(timedelta(minutes=age_min(reading, now)))} ago"


def _doubt(reading: Reading) -> str:
    return flag_words(reading.flags & NOT_USABLE)
