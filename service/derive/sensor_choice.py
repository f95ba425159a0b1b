"""Which sensor of a quantity counts where there are several, and how old its readings are."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.derive.thresholds import STALE_NAME, derived_limit
from service.registry.models import Tank
from service.store.model import NOT_USABLE, Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from service.units import quantity_words

US_PER_MINUTE = 60_000_000

MOST_SENSORS: Final = 1_000
"""Series of one tank that anything is derived from: some hundred times what a tank needs. A store
may hold more from before there was a limit. Our choice."""


@dataclass(frozen=True, slots=True)
class ChosenSeries:
    """The series that counts for one quantity.

    Attributes:
        info: what the store holds of it; None where the quantity is not measured.
        reasons: sentences, where it is not the sensor named by the tank.
    """

    info: SeriesInfo | None
    reasons: tuple[str, ...] = ()


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
) -> ChosenSeries:
    """Choose the series of a quantity to derive from.

    The tank's own choice comes first as long as it is fresh and usable; then any other that is,
    by name; then the one with the newest reading.

    Args:
        quantity: e.g. ``ph``.
        infos: the series that the store holds of this tank.
        slips: those whose newest reading is a slip (``service.derive.slips``): one impossible
            reading must not change the sensor.
    """
    stale_min = derived_limit(tank, STALE_NAME.get(quantity, "stale_temperature_min"))
    mine = sorted(
        (one for one in infos if one.key.quantity == quantity), key=lambda one: one.key.sensor
    )
    if not mine:
        return ChosenSeries(None)
    good = [
        one
        for one in mine
        if (usable(one.last) or one.key in slips) and age_min(one.last, now) <= stale_min
    ]
    wanted = tank.sensors.get(quantity)
    if wanted is None:
        return ChosenSeries(good[0] if good else max(mine, key=lambda one: one.last.time_us))
    named = [one for one in mine if one.key.sensor == wanted]
    if named and (named[0] in good or not good):
        return ChosenSeries(named[0])
    chosen = good[0] if good else max(mine, key=lambda one: one.last.time_us)
    why = f"{quantity} is taken from {chosen.key.sensor}, because {wanted} gives no usable reading"
    return ChosenSeries(chosen, (why,))


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
    return f"{minutes_in_words(age_min(reading, now))} ago"


def minutes_in_words(minutes: float) -> str:
    """A length of time for people: ``12 min``, ``3.5 h``, ``2 days``."""
    if minutes < 100:
        return f"{minutes:.0f} min"
    if minutes < 2880:
        return f"{minutes / 60:.1f} h"
    return f"{minutes / 1440:.0f} days"


def _doubt(reading: Reading) -> str:
    return flag_words(reading.flags & NOT_USABLE)
