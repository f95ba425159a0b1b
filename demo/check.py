"""``littoral demo --check``: the main questions, put to the running service over HTTP.

What the answers ought to be is known: the water is simulated, and its truth is at hand.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from typing import Any

from rich.console import Console

from demo.asking import POLL_S, Bench, Fault, Question, require
from demo.boards import Boards
from demo.check_advice import recommendations, retained_advice
from demo.scenario import Scenario
from demo.tanks import emberpane, lateleaf
from service.client import Client, ClientError
from service.clock import Clock
from service.store.model import Reading, SeriesKey
from service.times import format_moment, from_us, parse_moment, to_us

LIVE_READINGS = 5
"""So many readings of each sensor must have come over MQTT before the questions are asked."""

LIVE_TIMEOUT_S = 60.0
STORED_WITHIN_S = 10.0

TEMPERATURE_TOLERANCE_C = 0.3
PHOTOPERIOD_TOLERANCE_H = 0.3
CALCULATE_TOLERANCE = 0.005
PHREEQC_CO2_MG_L = 21.4413
"""CO2 of KHCO3 water at 25 °C, 4 dKH, pH 6.8 by PHREEQC (phreeqc.dat); see docs/references.md."""


def check(
    base: str,
    scenario: Scenario,
    boards: Boards,
    clock: Clock,
    mqtt_port: int,
    console: Console,
    alive: Callable[[], None],
) -> int:
    """Ask every question, print the answers; 0 if all are right, 1 with the wrong ones named.

    Args:
        alive: raises when a part of the demo has ended or it is to stop.
    """
    bench = Bench(Client(base), scenario, boards, clock, mqtt_port)
    _wait_for_readings(bench, alive)
    failed = []
    for name, question in QUESTIONS:
        alive()
        console.print(f"\n{name}", style="bold", markup=False)
        try:
            for line in question(bench):
                console.print(f"  {line}", markup=False, soft_wrap=True)
        except (Fault, ClientError) as fault:
            console.print(f"  FAILED: {fault}", markup=False, soft_wrap=True)
            failed.append(name)
        except (KeyError, TypeError, IndexError, ValueError) as error:
            detail = f"{type(error).__name__}: {error}"
            console.print(f"  FAILED: the answer has another shape ({detail})", markup=False)
            failed.append(name)
    console.print()
    if failed:
        console.print(f"FAILED: {'; '.join(failed)}", markup=False, soft_wrap=True)
        return 1
    console.print(f"All {len(QUESTIONS)} questions were answered rightly.")
    return 0


def _wait_for_readings(bench: Bench, alive: Callable[[], None]) -> None:
    """Wait until every sensor has spoken often enough since the demo's start."""
    keys = [key for one in bench.scenario.tanks for key in one.wires]
    end = time.monotonic() + LIVE_TIMEOUT_S
    while time.monotonic() < end:
        alive()
        sent = bench.boards.sent()
        if all(len(sent.get(key, ())) >= LIVE_READINGS for key in keys):
            return
        time.sleep(POLL_S)
    # A silent sensor is not our business here; the question about readings names it.


def _tanks(bench: Bench) -> Iterator[str]:
    found = {one["id"]: one for one in bench.client.get("/v1/tanks")["tanks"]}
    for one in bench.scenario.tanks:
        require(one.tank.id in found, f"{one.tank.id} is not among the tanks")
        shown = found[one.tank.id]
        net = shown["volume"]["net"]["value"]
        yield f"{shown['name']}: {net:.0f} L of water"


def _readings(bench: Bench) -> Iterator[str]:
    """Everything that was published is stored, and nothing else."""
    for one in bench.scenario.tanks:
        for key, wire in one.wires.items():
            sent = bench.boards.sent().get(key, [])
            require(bool(sent), f"{key.quantity} of {key.tank} published nothing")
            stored = _stored(bench, key, sent)
            require(
                len(stored) >= len(sent),
                f"{key.quantity} of {key.tank}: {len(sent)} published, {len(stored)} stored",
            )
            for reading, answer in zip(sent, stored, strict=False):
                _same(key, reading, answer, wire.stamped)
        sensors = ", ".join(sorted({key.quantity for key in one.wires}))
        yield f"{one.tank.name}: what was published is what is stored ({sensors})"


def _stored(bench: Bench, key: SeriesKey, sent: Sequence[Reading]) -> list[dict[str, Any]]:
    """Readings since the demo's start; waits a little for the newest."""
    start = format_moment(from_us(to_us(bench.scenario.origin) + 1))
    end = time.monotonic() + STORED_WITHIN_S
    while True:
        answer = bench.client.get(
            f"/v1/tanks/{key.tank}/readings",
            quantity=key.quantity,
            sensor=key.sensor,
            start=start,
            flagged="true",
        )
        stored: list[dict[str, Any]] = answer["readings"]
        if len(stored) >= len(sent) or time.monotonic() > end:
            return stored
        time.sleep(POLL_S)


def _same(key: SeriesKey, reading: Reading, answer: dict[str, Any], stamped: bool) -> None:
    what = f"{key.quantity} of {key.tank}"
    value = answer["value"]
    require(
        abs(value - reading.value) <= 1e-9 * max(1.0, abs(reading.value)),
        f"{what}: {reading.value!r} was published, {value!r} is stored",
    )
    if stamped:
        stored_us = to_us(parse_moment(answer["time"]))
        require(
            stored_us == reading.time_us,
            f"{what}: measured at {format_moment(from_us(reading.time_us))}, "
            f"stored at {answer['time']}",
        )


def _co2(bench: Bench) -> Iterator[str]:
    for one in bench.scenario.tanks:
        answer = bench.client.get(f"/v1/tanks/{one.tank.id}/co2")
        co2, target, state = answer["co2"], answer["target"], answer["state"]
        require(co2 is not None, f"CO2 of {one.tank.id} is unknown: {answer['reasons']}")
        at_us = to_us(parse_moment(answer["time"]))
        truth = bench.boards.truth(one.tank.id, at_us)
        require(truth is not None, f"no truth is known of {one.tank.id}")
        assert truth is not None
        yield (
            f"{one.tank.name}: {co2['value']:.1f} mg/L (95 %: {co2['low']:.1f} to "
            f"{co2['high']:.1f}), {state} {target['low']:g} to {target['high']:g}; "
            f"true: {truth.co2_mg_l:.1f}"
        )
        require(
            co2["low"] <= truth.co2_mg_l <= co2["high"],
            f"the true CO2 of {one.tank.id} lies outside its interval",
        )
        expected = "below" if one.tank.id == lateleaf.ID else "within"
        require(state == expected, f"{one.tank.id} is {state} its target, not {expected}")


def _light(bench: Bench) -> Iterator[str]:
    yesterday = bench.clock.now().date() - timedelta(days=1)
    for one in bench.scenario.tanks:
        answer = bench.client.get(f"/v1/tanks/{one.tank.id}/light", date=yesterday.isoformat())
        hours, dli = answer["photoperiod"]["value"], answer["dli"]["value"]
        yield f"{one.tank.name}, yesterday: {hours:.1f} h, {dli:.2f} mol/m2/d"
        lamp = one.model.lamp
        require(
            abs(hours - lamp.hours) <= PHOTOPERIOD_TOLERANCE_H,
            f"{one.tank.id} was lit {hours:.2f} h by plan {lamp.hours:g} h",
        )
        # a trapezoid: full power less half of each ramp
        photons = lamp.lux * lamp.umol_per_lux * (lamp.hours * 60 - lamp.ramp_min) * 60 / 1e6
        require(
            abs(dli - photons) <= 0.05 * photons,
            f"{one.tank.id} had {dli:.2f} mol/m2/d of light, truly {photons:.2f}",
        )


def _temperature(bench: Bench) -> Iterator[str]:
    for one in bench.scenario.tanks:
        answer = bench.client.get(f"/v1/tanks/{one.tank.id}/temperature")
        celsius = answer["temperature"]["value"]
        truth = bench.boards.truth(one.tank.id, to_us(parse_moment(answer["time"])))
        assert truth is not None
        yield f"{one.tank.name}: {celsius:.1f} °C; true: {truth.temperature_c:.1f}"
        require(
            abs(celsius - truth.temperature_c) <= TEMPERATURE_TOLERANCE_C,
            f"{one.tank.id} is {truth.temperature_c:.2f} °C, not {celsius:.2f}",
        )


def _excursions(bench: Bench) -> Iterator[str]:
    start = format_moment(bench.scenario.origin - timedelta(days=5))
    for one in bench.scenario.tanks:
        path = f"/v1/tanks/{one.tank.id}/temperature/excursions"
        answer = bench.client.get(path, start=start)
        found, limits = answer["excursions"], answer["range"]
        total = sum(each["degree_hours"]["value"] for each in found)
        excursions = f"{len(found)} of together {total:.1f} degree-hours" if found else "none"
        yield (
            f"{one.tank.name}: {excursions} in five days outside {limits['low']:g} to "
            f"{limits['high']:g} °C; the upper limit is that of {answer['high_species']}"
        )
        if one.tank.id == emberpane.ID:
            require(total > 0, "the warm tank has no excursion")
            species = answer["high_species"]
            require(species == emberpane.NEW_FISH, f"its limit is that of {species}")
        else:
            require(not found, f"{one.tank.id} has an excursion")


def _calculate(bench: Bench) -> Iterator[str]:
    question = {
        "ph": 6.8,
        "kh": {"value": 4, "unit": "dKH"},
        "temperature": {"value": 77, "unit": "[degF]"},
    }
    co2 = bench.client.send("POST", "/v1/calculate/co2", question)["co2"]["value"]
    yield f"pH 6.8, 4 dKH, 77 °F: {co2:.2f} mg/L; PHREEQC: {PHREEQC_CO2_MG_L:.2f}"
    require(
        abs(co2 - PHREEQC_CO2_MG_L) <= CALCULATE_TOLERANCE * PHREEQC_CO2_MG_L,
        f"{co2:.3f} mg/L is not within {CALCULATE_TOLERANCE:.1%}",
    )


QUESTIONS: tuple[tuple[str, Question], ...] = (
    ("Which tanks are there?", _tanks),
    ("Is what was published what is stored?", _readings),
    ("Is there enough CO2, and not too much?", _co2),
    ("How long and how strong was the light?", _light),
    ("How warm is the water?", _temperature),
    ("Was it too warm or too cold for the animals?", _excursions),
    ("What is to be done?", recommendations),
    ("Is the advice at the broker too?", retained_advice),
    ("What is the CO2 of other water?", _calculate),
)
