"""The animals of a tank as its page lists them, with the limits they are judged by."""

from __future__ import annotations

from dataclasses import dataclass

from service.derive.inhabitants.animals import Group, groups_of
from service.registry.models.tank import Stock, Tank


@dataclass(frozen=True, slots=True)
class AnimalLine:
    """One group of animals.

    Attributes:
        name: how many of what.
        limits: comfortable and tolerable temperature, and CO2; "" where nothing is known.
        note: a sentence, where there is one.
        covered: False where no advice covers them.
        sources: of the limits, as the title of the line.
    """

    name: str
    limits: str
    note: str
    covered: bool
    sources: str


def animal_lines(tank: Tank) -> tuple[AnimalLine, ...]:
    """The groups that are there; those that no advice covers first."""
    lines = [_line(group) for group in groups_of(tank)]
    return tuple(sorted(lines, key=lambda one: one.covered))


def _line(group: Group) -> AnimalLine:
    sources = dict.fromkeys(filter(None, (group.comfortable_source, group.tolerable_source)))
    return AnimalLine(
        name=f"{group.stock.count} {group.stock.species}",
        limits=limits_text(group.stock),
        note=group.note,
        covered=group.covered,
        sources="; ".join(sources),
    )


def limits_text(stock: Stock) -> str:
    """Comfortable and tolerable temperature, and CO2; "" where nothing is known."""
    parts = []
    comfortable = _range(stock.comfortable_low_c, stock.comfortable_high_c)
    tolerable = _range(stock.temperature_low_c, stock.temperature_high_c)
    if comfortable and comfortable != tolerable:
        parts.append(f"{comfortable} °C, tolerates {tolerable}")
    elif tolerable:
        parts.append(f"{tolerable} °C")
    if stock.co2_max_mg_l is not None:
        parts.append(f"CO2 up to {stock.co2_max_mg_l:g} mg/L")
    if stock.air_breather:
        parts.append("takes air at the surface")
    return ", ".join(parts)


def _range(low_c: float | None, high_c: float | None) -> str:
    if low_c is not None and high_c is not None:
        return f"{low_c:g} to {high_c:g}"
    if high_c is not None:
        return f"at most {high_c:g}"
    return "" if low_c is None else f"at least {low_c:g}"
