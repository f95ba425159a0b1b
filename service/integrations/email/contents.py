"""What mail says: the day's work on some tanks, or one urgent recommendation."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Final

from service.advice.cautions import NO_SAFETY_DEVICE
from service.advice.contact import covers
from service.advice.engine.instruction import NumberedCautions
from service.advice.engine.recommendation import UNSEEN, Instruction, Recommendation
from service.advice.handover.absence import sheet_of
from service.advice.handover.care_plan import DAILY_CHECK, Task
from service.advice.handover.glossary import words_in
from service.advice.handover.sheet import TankSheet
from service.advice.phrases import day_clock, listed
from service.config import RecipientOptions
from service.config.email import Units
from service.derive.caching.drift_cache import MorningDrifts
from service.derive.local_time import local_day, local_moment
from service.integrations.email.letter import (
    Block,
    Heading,
    Item,
    Items,
    Letter,
    Paragraph,
    texts_of,
)
from service.registry.models.absence import Absence
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.interface import Store
from service.units import convert

_GALLONS: Final[dict[Units, tuple[str, str]]] = {
    "us": ("gallon", "US gallons"),
    "imperial": ("imperial_gallon", "imperial gallons"),
}
_NAMED: Final = 3
"""So many tanks stand in a subject by name. Our choice."""


@dataclass(frozen=True, slots=True)
class Day:
    """What a mail says of one tank today.

    Attributes:
        sheet: of the rest of today.
        away: its keeper is away, and somebody else looks after it.
        link: to its page or its sheet; "" where no address is configured.
    """

    tank: Tank
    sheet: TankSheet
    away: bool
    link: str = ""

    @property
    def now(self) -> tuple[Instruction, ...]:
        """What is open, without what the latest evaluation did not find."""
        return tuple(one.instruction for one in self.sheet.open if not one.extra.get(UNSEEN))

    @property
    def tasks(self) -> tuple[Task, ...]:
        """What is planned today; the daily check only while the keeper is away."""
        return tuple(one for one in self.sheet.tasks if self.away or one.code != DAILY_CHECK)

    @property
    def has_work(self) -> bool:
        """Whether anybody has to do anything."""
        return bool(self.now or self.tasks or self.sheet.waiting)


def day_of(
    tank: Tank, registry: Registry, store: Store, now: datetime, drifts: MorningDrifts
) -> Day:
    """What is to be done today, on what registry and store say now.

    Args:
        drifts: of the pH probes, as last found.

    Raises:
        StoreUnavailableError, StoreRefusedError: as the store finds.
    """
    present = [one for one in registry.absences() if one.start <= now < one.end]
    away = max((one for one in present if covers(one, tank.id)), key=_start, default=None)
    end = local_moment(tank, local_day(tank, now) + timedelta(days=1), time())
    span = Absence("", now, end) if away is None else replace(away, start=now, end=end)
    sheet = sheet_of(span, [tank], registry, store, now, drifts)
    return Day(tank, sheet.tanks[0], away is not None)


def _start(absence: Absence) -> datetime:
    return absence.start


def digest_letter(
    days: Sequence[Day], recipient: RecipientOptions, now: datetime, footer: Sequence[Paragraph]
) -> Letter:
    """The mail with what is to do today on the tanks that ask for something."""
    shown = [instruction for day in days for instruction in _shown(day, recipient)]
    safety = NumberedCautions(shown)
    blocks = [block for day in days for block in _blocks(day, recipient, safety, now)]
    blocks += _safety_blocks(safety)
    if not recipient.keeper:
        blocks += _word_blocks(blocks)
    return Letter(
        subject=_subject(days),
        thread=days[0].tank.id if len(days) == 1 else "",
        blocks=tuple(blocks),
        footer=(*_disclaimer(safety), *footer),
    )


def urgent_letter(
    tank: Tank,
    one: Recommendation,
    recipient: RecipientOptions,
    link: str,
    footer: Sequence[Paragraph],
) -> Letter:
    """The mail that says at once what cannot wait."""
    instruction = one.instruction
    safety = NumberedCautions([instruction])
    why = Items(tuple(Item("", reason.text) for reason in instruction.reasons))
    blocks: list[Block] = [
        Heading(f"{tank.name}: {instruction.title}", 1),
        Paragraph(instruction.action),
        *((Heading("Why"), why) if instruction.reasons else ()),
        *_units_block([instruction], recipient.units),
        *([Paragraph("The tank now:", link)] if link else []),
        *_safety_blocks(safety),
    ]
    if not recipient.keeper:
        blocks += _word_blocks(blocks)
    return Letter(
        subject=f"Urgent: {tank.name}: {instruction.title}",
        thread=tank.id,
        blocks=tuple(blocks),
        footer=(*_disclaimer(safety), *footer),
        urgent=True,
    )


def _subject(days: Sequence[Day]) -> str:
    count = sum(len(day.now) + len(day.tasks) + len(day.sheet.waiting) for day in days)
    if len(days) == 1 and count:
        day = days[0]
        first = next(iter((*day.now, *day.tasks, *day.sheet.waiting)))
        more = f", and {count - 1} more" if count > 1 else ""
        return f"{day.tank.name}: {first.title}{more}"
    names = [day.tank.name for day in days[:_NAMED]]
    more = f"{len(days) - _NAMED} more" if len(days) > _NAMED else ""
    return f"{count} things to do today: {listed([*names, *filter(None, [more])])}"


def _shown(day: Day, recipient: RecipientOptions) -> Iterator[Instruction]:
    """The instructions that are written out."""
    yield from day.now
    yield from day.tasks
    if recipient.keeper:
        yield from day.sheet.waiting


def _blocks(
    day: Day, recipient: RecipientOptions, safety: NumberedCautions, now: datetime
) -> Iterator[Block]:
    sheet = day.sheet
    yield Heading(day.tank.name, 1)
    yield Paragraph(sheet.state[0])
    if day.now:
        yield Heading("Now")
        yield Items(tuple(_item(one, safety) for one in day.now))
    if day.tasks:
        yield Heading("Today")
        yield Items(tuple(_item(one, safety, _by(day.tank, one, now)) for one in day.tasks))
    if sheet.waiting:
        yield Heading("For the tank keeper")
        if recipient.keeper:
            yield Items(tuple(_item(one, safety) for one in sheet.waiting))
        else:
            yield Items(tuple(Item(one.title) for one in sheet.waiting))
    yield from _units_block(_shown(day, recipient), recipient.units, sheet)
    if sheet.contact and not recipient.keeper:
        yield Paragraph(f"If something looks wrong, call {sheet.contact}.")
    if day.link:
        more = "More" if recipient.share == "none" else "The sheet, with what to do in an emergency"
        yield Paragraph(f"{more}:", day.link)


def _by(tank: Tank, one: Task, now: datetime) -> str:
    return "" if one.due <= now else f", by {day_clock(tank, one.due, now)}"


def _item(one: Instruction, safety: NumberedCautions, by: str = "") -> Item:
    numbers = safety.numbers(one)
    refs = f" Safety: {', '.join(map(str, numbers))}." if numbers else ""
    return Item(f"{one.title}{by}", f"{one.action}{refs}")


def _safety_blocks(safety: NumberedCautions) -> Iterator[Block]:
    if safety.texts:
        yield Heading("Before you start: safety")
        yield Items(tuple(Item("", text) for text in safety.texts), numbered=True)


def _word_blocks(blocks: Sequence[Block]) -> Iterator[Block]:
    """The trade's words in a mail, explained to who looks after a tank for somebody else."""
    found = words_in(text for block in blocks for text in texts_of(block))
    if found:
        yield Heading("Words")
        yield Items(tuple(Item("", str(one)) for one in found))


def _disclaimer(safety: NumberedCautions) -> Iterator[Paragraph]:
    """That it is no safety device, unless a caution says so already."""
    if not any("no safety device" in text for text in safety.texts):
        yield Paragraph(NO_SAFETY_DEVICE)


def _units_block(
    instructions: Iterable[Instruction], units: Units, sheet: TankSheet | None = None
) -> Iterator[Block]:
    """The same amounts in other units. Temperatures of a reading and a range only: a difference
    is converted in another way, so none is."""
    if units == "metric":
        return
    unit, words = _GALLONS[units]
    amounts = (amount for one in instructions for amount in one.amounts)
    litres = dict.fromkeys(
        round(one.value, 1) for one in amounts if one.unit == "L" and not one.estimated
    )
    said = [f"{one:g} L is {convert(one, 'L', unit):.1f} {words}" for one in litres]
    if units == "us" and sheet is not None:
        if sheet.temperature_c is not None:
            said.append(f"{sheet.temperature_c:.1f} °C is {_fahrenheit(sheet.temperature_c)} °F")
        if sheet.range_c is not None:
            low, high = sheet.range_c
            spoken = f"{_fahrenheit(low)} to {_fahrenheit(high)} °F"
            said.append(f"the range {low:g} to {high:g} °C is {spoken}")
    if said:
        yield Paragraph(f"In other units: {'; '.join(said)}.")


def _fahrenheit(celsius: float) -> str:
    return f"{convert(celsius, 'Cel', 'degF'):.0f}"
