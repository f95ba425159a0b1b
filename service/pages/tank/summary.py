"""Summary of a tank: CO2, temperature and light, each a line with its state in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from service.derive.co2.narrowing import narrowing_of
from service.derive.models.co2 import Co2State
from service.derive.models.light import LightDay, LightNow
from service.derive.models.quality import Quality
from service.derive.models.tank_view import TankNow, TankView
from service.derive.models.temperature import TemperatureNow
from service.pages.local_time import LocalTime
from service.pages.number_format import shown_value


class Tone(StrEnum):
    """How a line is marked: by a word and a shape, and by colour besides."""

    CALM = "calm"
    REST = "rest"  # nothing to judge now, as with CO2 at night
    ATTENTION = "attention"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a summary.

    Attributes:
        name: what it is about.
        value, unit: as shown; value is "–" where unknown.
        beside: another figure that people know for the same, in words.
        short: the state in two words or three, where ``word`` has more.
        range: the interval or the range aimed at, as shown.
        word: the state.
        why: sentences that explain it.
    """

    name: str
    value: str
    unit: str
    word: str
    tone: Tone
    range: str = ""
    why: tuple[str, ...] = ()
    beside: str = ""
    short: str = ""


def lines_of(view: TankView, local_time: LocalTime) -> tuple[Line, ...]:
    """CO2, temperature and light of a tank."""
    today = view.light_days[-1] if view.light_days else None
    return (
        co2_line(view, _narrowing(view)),
        temperature_line(view),
        light_line(view, local_time, today),
    )


def co2_line(view: TankNow, more_why: tuple[str, ...] = ()) -> Line:
    """CO2 against its target; a low value while the lamp is off is normal.

    Args:
        more_why: sentences beside those on the value itself.
    """
    now = view.co2
    aim = f"aim {now.target_low_mg_l:.0f} to {now.target_high_mg_l:.0f}"
    if now.co2 is None:
        return Line("CO2", "–", "mg/L", "unknown", Tone.UNKNOWN, aim, now.reasons)
    dark = view.light is not None and view.light.lit is False
    interval = f"likely {now.co2.low:.0f} to {now.co2.high:.0f}"
    words = {
        Co2State.WITHIN: ("in its range", Tone.CALM),
        Co2State.ABOVE: _above(view),
        Co2State.BELOW: ("normal, lamp off", Tone.REST) if dark else ("too little", Tone.ATTENTION),
        Co2State.UNKNOWN: ("unknown", Tone.UNKNOWN),
    }
    word, tone = words[now.state]
    short = "high, tolerable" if tone is Tone.CALM and now.state is Co2State.ABOVE else ""
    if now.quality is not Quality.GOOD:
        word, short, tone = f"{word}, doubtful", "doubtful", Tone.UNKNOWN
    value = f"{now.co2.value:.0f}"
    rule = now.rule_of_thumb_mg_l
    beside = "" if rule is None else f"rule of thumb: {rule:.0f}"
    reasons = (*now.reasons, *more_why)
    return Line("CO2", value, "mg/L", word, tone, f"{interval}, {aim}", reasons, beside, short)


def _narrowing(view: TankView) -> tuple[str, ...]:
    """What would make the estimate of CO2 better, if anything does."""
    narrowing = narrowing_of(view.tank, view.co2, view.co2_check)
    return () if narrowing is None else (narrowing.sentence,)


def _above(view: TankNow) -> tuple[str, Tone]:
    """What is more than aimed at: too much only where the animals don't tolerate it."""
    animals, now = view.tolerance.co2, view.co2
    if animals is None or now.co2 is None or now.co2.value > animals.co2_mg_l:
        return "too much", Tone.ATTENTION
    return f"more than {animals.comfortable_species} likes, but tolerable", Tone.CALM


def temperature_line(view: TankNow) -> Line:
    """Temperature against the range that all animals share."""
    now = view.temperature
    span = _spans(now)
    if now.reading is None or now.quality is Quality.STALE:
        return Line("Water", "–", "°C", "unknown", Tone.UNKNOWN, span, now.reasons)
    value = now.reading.value
    word, tone, short = _against(now, round(value, 1))
    trend = "" if now.rate_k_h is None else _trend(now.rate_k_h)
    return Line(
        "Water",
        f"{value:.1f}",
        "°C",
        word,
        tone,
        ", ".join(filter(None, (span, trend))),
        now.reasons,
        short=short,
    )


def _against(now: TemperatureNow, shown_c: float) -> tuple[str, Tone, str]:
    """The state of a temperature as it is shown, also in short: 24.0 is not below 24."""
    if now.tolerable.is_open:
        return "no range set", Tone.REST, ""
    if side := now.tolerable.side_of(shown_c):
        word = "warm" if side == "above" else "cold"
        return f"too {word} for {now.tolerable.species(side)}", Tone.ATTENTION, f"too {word}"
    if side := now.comfortable.side_of(shown_c):
        word = "warmer" if side == "above" else "cooler"
        long = f"{word} than {now.comfortable.species(side)} likes, but tolerable"
        return long, Tone.CALM, "warm, tolerable" if side == "above" else "cool, tolerable"
    return "in its range", Tone.CALM, ""


def light_line(view: TankNow, local_time: LocalTime, today: LightDay | None = None) -> Line:
    """The lamp now, and how long it has been lit today, as far as that is given."""
    light = view.light
    if light is None or light.lit is None or light.reading is None:
        why = light.reasons if light is not None else ()
        return Line("Lamp", "–", "", "unknown", Tone.UNKNOWN, _planned(view), why)
    since = ""
    if light.unchanged_since is not None:
        since = f" since {local_time.clock_words(light.unchanged_since)}"
    lit_h = None if today is None else today.photoperiod_h
    hours = "" if lit_h is None else f"{lit_h:.1f} h today, "
    word = f"{'on' if light.lit else 'off'}{since}"
    value, unit = shown_value(light.reading)
    tone = Tone.CALM if light.lit else Tone.REST
    return Line("Lamp", value, unit, word, tone, hours + _planned(view), light.reasons)


def sentence_of(view: TankNow, local_time: LocalTime) -> str:
    """The state of a tank in one or two plain sentences."""
    return " ".join(_sentences(view, local_time))


def _sentences(view: TankNow, local_time: LocalTime) -> Iterator[str]:
    if not view.sensors:
        yield "No readings yet."
        return
    yield f"{_lamp(view.light, local_time)} {_gas(view)}"
    line = temperature_line(view)
    if line.tone is Tone.UNKNOWN:
        yield "The temperature is not known."
    elif line.tone is Tone.REST:
        yield f"The water is at {line.value} °C."
    else:
        yield f"The water is at {line.value} °C, {line.word}."


def _lamp(light: LightNow | None, local_time: LocalTime) -> str:
    if light is None or light.lit is None:
        return "Whether the lamp is on is not known;"
    word = "on" if light.lit else "off"
    if light.unchanged_since is None:
        return f"The lamp is {word};"
    at = local_time.clock_words(light.unchanged_since)
    return f"The lamp has been {word} since {at};"


def _gas(view: TankNow) -> str:
    now = view.co2
    if now.co2 is None:
        return "CO2 is not known."
    amount = f"CO2 {now.co2.value:.0f} mg/L"
    if now.quality is not Quality.GOOD:
        return f"{amount}, a doubtful value."
    dark = view.light is not None and view.light.lit is False
    if now.state is Co2State.BELOW and dark:
        return f"{amount}, normal for the night."
    return (
        amount
        + {
            Co2State.WITHIN: ", in its range.",
            Co2State.BELOW: f", below the target of {now.target_low_mg_l:.0f}.",
            Co2State.ABOVE: f", above the limit of {now.target_high_mg_l:.0f}.",
            Co2State.UNKNOWN: ", which can't be judged.",
        }[now.state]
    )


def _spans(now: TemperatureNow) -> str:
    """The comfortable range, and the tolerable one where it is wider."""
    tolerable = _range(now.tolerable.low_c, now.tolerable.high_c)
    comfortable = _range(now.comfortable.low_c, now.comfortable.high_c)
    if not comfortable or comfortable == tolerable:
        return tolerable
    return f"{comfortable}, tolerable {tolerable.removeprefix('range ')}"


def _range(low_c: float | None, high_c: float | None) -> str:
    if low_c is not None and high_c is not None:
        return f"range {low_c:g} to {high_c:g}"
    if high_c is not None:
        return f"at most {high_c:g}"
    return "" if low_c is None else f"at least {low_c:g}"


def _trend(rate_k_h: float) -> str:
    if abs(rate_k_h) < 0.05:
        return "steady"
    return f"{'rising' if rate_k_h > 0 else 'falling'} {abs(rate_k_h):.1f} °C per hour"


def _planned(view: TankNow) -> str:
    plan = view.tank.light
    return f"plan {plan.photoperiod_h:g} h from {plan.start:%H:%M}"
