"""The state of tanks for a person: a few lines of one, a table of several."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from service.cli.output.advice import due_words, instruction_lines
from service.cli.output.tank_times import TankTimes
from service.cli.output.terminal import sparkline, table
from service.cli.questions.status.tank_status import TankStatus
from service.client import Co2, Event, Light, Recommendation, Temperature

_STYLES: Final = {
    "within": "green",
    "below": "bold yellow",
    "above": "bold yellow",
    "unknown": "bold yellow",
    "info": "dim",
    "advice": "cyan",
    "warning": "bold yellow",
    "urgent": "bold red",
    True: "green",
    False: "bold red",
}
"""Colours of words, on a terminal; the words mean the same."""

_COLUMNS: Final = ("tank", "", "CO2, mg/L", "°C", "to do")
_WIDE_COLUMNS: Final = ("tank", "", "CO2, mg/L", "last day", "°C", "last day", "to do")


def text_of(status: TankStatus) -> RenderableType:
    """What is known of one tank."""
    head = Text(f"{status.name} ({status.tank}): ").append_text(_verdict(status))
    titles = {one.title for one in status.recommendations}
    reasons = [Text(f"  ! {reason}") for reason in status.why if reason not in titles]
    curves = table()
    curves.add_row(Text("  ").append_text(_co2(status.co2)), sparkline(status.co2_day))
    temperature = Text("  ").append_text(_temperature(status.temperature))
    curves.add_row(temperature, sparkline(status.temperature_day))
    curves.add_row(f"  {_light(status.light)}", "")
    advice = [part for one in status.recommendations for part in _advice(one, status.time_zone)]
    return Group(head, *reasons, curves, *(advice or [Text("  nothing to do")]))


def table_of(found: Sequence[TankStatus], *, wide: bool = True) -> Table:
    """Several tanks, a row each.

    Args:
        wide: with the curves of the last day.
    """
    made = table(*(_WIDE_COLUMNS if wide else _COLUMNS))
    for one in found:
        co2, temperature = one.co2.co2, one.temperature.temperature
        co2_text = _figure(None if co2 is None else co2.value, one.co2.state)
        temperature_text = _figure(
            None if temperature is None else temperature.value, one.temperature.state
        )
        figures: list[Text | str] = [co2_text, temperature_text]
        if wide:
            figures = [
                co2_text,
                sparkline(one.co2_day),
                temperature_text,
                sparkline(one.temperature_day),
            ]
        made.add_row(one.tank, _verdict(one), *figures, _first(one.recommendations))
    return made


def line_of(one: TankStatus) -> Text:
    """One tank on one line."""
    text = Text(f"{one.tank}: ").append_text(_verdict(one)).append("; ")
    text.append_text(_co2(one.co2)).append("; ").append_text(_temperature(one.temperature))
    return text.append("; to do: ").append_text(_first(one.recommendations))


def event_line(event: Event, times: TankTimes) -> Text:
    """What happened to a recommendation or trial, and when, in the tank's own time."""
    document = event.data["data"]
    tank, time = event.data["tank"], datetime.fromisoformat(event.data["time"])
    if event.type.startswith("trial."):
        change, judgement = event.type.removeprefix("trial."), document["judgement"]
        answer = f": {judgement['sentence']}" if judgement else ""
        words = f"trial {change}: {document['question']}{answer}"
        return Text(f"{times.words(tank, time)} {tank}: {words}")
    change = event.type.removeprefix("recommendation.")
    text = Text(f"{times.words(tank, time)} {tank}: {change}: ")
    text.append_text(_word(document.get("severity", "")))
    return text.append(f": {document.get('title', '')}", "default not bold")


def headline(one: Recommendation, zone: str) -> Text:
    """Severity, title and by when."""
    return _word(one.severity).append(f": {one.title}{due_words(one, zone)}", "default not bold")


def _first(recommendations: Sequence[Recommendation]) -> Text:
    """The most urgent, and how many more there are."""
    if not recommendations:
        return Text("nothing")
    first, *others = recommendations
    text = _word(first.severity).append(f": {first.title}", "default not bold")
    return text.append(f" (and {len(others)} more)", "dim") if others else text


def _verdict(status: TankStatus) -> Text:
    words = "in order" if status.in_order else "not in order"
    return Text(words, _STYLES[status.in_order])


def _word(word: str) -> Text:
    return Text(word, _STYLES.get(word, ""))


def _figure(value: float | None, state: str) -> Text:
    if value is None:
        return _word("unknown")
    return Text(f"{value:.1f} ").append_text(_word(state))


def _advice(one: Recommendation, zone: str) -> list[RenderableType]:
    below = [Text(line) for line in instruction_lines(one)]
    return [
        Padding(headline(one, zone), (0, 0, 0, 2), expand=False),
        *(Padding(line, (0, 0, 0, 4), expand=False) for line in below),
    ]


def _co2(co2: Co2) -> Text:
    if co2.co2 is None:
        return Text(f"CO2 unknown: {'; '.join(co2.reasons)}")
    found, aim = co2.co2, co2.target
    text = Text(f"CO2 {found.value:.1f} mg/L (95 %: {found.low:.1f} to {found.high:.1f}), ")
    text.append_text(_word(co2.state)).append(f" {aim.low:g} to {aim.high:g}")
    return text if co2.quality == "good" else text.append(f", {co2.quality}")


def _temperature(temperature: Temperature) -> Text:
    if temperature.temperature is None:
        return Text(f"temperature unknown: {'; '.join(temperature.reasons)}")
    text = Text(f"temperature {temperature.temperature.value:.1f} °C")
    low, high = temperature.range.low, temperature.range.high
    if low is not None and high is not None:
        text.append(", ").append_text(_word(temperature.state)).append(f" {low:g} to {high:g}")
    if temperature.rate is not None:
        text.append(f", {temperature.rate.value:+.2f} °C per hour")
    return text


def _light(light: Light) -> str:
    if light.photoperiod is None:
        return f"light unknown: {'; '.join(light.reasons)}"
    text = f"light {light.photoperiod.value:.1f} h today of {light.planned.value:g} h"
    return text if light.dli is None else f"{text}, {light.dli.value:.2f} mol/m2/d"
