"""What home-made sensors make of the truth: noise, drift, steps, silence, spikes.

Every reading depends only on the seed, the sensor and the number of the reading since the
origin, so history made at once and readings made live agree to the last digit.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from demo.model import Sensor, TankModel
from demo.simulator import DAY_S, Array, Simulation, Trace, simulate
from service.quantities import QUANTITIES
from service.store.model import Reading

BLOCK = 1024
_NOISE, _SILENCE, _SPIKE = 1, 2, 3
_SHIFT = 1_000_000  # days and blocks before the origin have numbers too


def measured(
    tank: str, sensor: Sensor, trace: Trace, *, seed: int = 0, origin_s: float = 0.0
) -> tuple[Array, Array]:
    """Times (unix seconds) and values that a sensor sends over a trace; silences left out.

    Args:
        tank, seed: together with the sensor's name they fix its noise.
        trace: the truth, at steps that divide ``sensor.every_s``.
        origin_s: unix seconds at which ``sensor.offset`` holds and readings are counted from.
    """
    since = trace.time_s - origin_s
    number = np.rint(since / sensor.every_s).astype(np.int64)
    due = np.abs(since - number * sensor.every_s) < 1e-3
    due &= ~_silent(tank, sensor, seed, since)
    since, number = since[due], number[due]
    truth = trace.quantity(sensor.quantity)[due]
    scatter = sensor.noise_sd + sensor.noise_relative * np.abs(truth)
    value = truth + sensor.offset + sensor.drift_per_day * since / DAY_S
    value = value + scatter * _noise(tank, sensor, seed, number)
    value = value + sensor.spike * _spiked(tank, sensor, seed, since)
    if sensor.step > 0:
        value = np.round(np.round(value / sensor.step) * sensor.step, 9)
    if sensor.quantity in ("illuminance", "ppfd"):
        value = np.maximum(value, 0.0)
    return trace.time_s[due], value


def readings(
    model: TankModel, trace: Trace, *, seed: int = 0, origin_s: float = 0.0
) -> Iterator[Reading]:
    """All readings of a tank's sensors over a trace, sensor by sensor."""
    for sensor in model.sensors:
        time_s, value = measured(model.id, sensor, trace, seed=seed, origin_s=origin_s)
        time_us = np.rint(time_s * 1e6).astype(np.int64)
        for at, number in zip(time_us.tolist(), value.tolist(), strict=True):
            yield Reading(model.id, sensor.quantity, sensor.name, at, number)


def simulated_readings(
    model: TankModel, start_s: float, end_s: float, *, seed: int = 0, origin_s: float = 0.0
) -> list[Reading]:
    """Simulate a tank and measure it: what its sensors sent from ``start_s`` to ``end_s``."""
    trace = simulate(model, start_s, end_s, seed=seed, origin_s=origin_s)
    return list(readings(model, trace, seed=seed, origin_s=origin_s))


class LiveTank:
    """A tank that is simulated as time goes on, with its sensors."""

    def __init__(
        self, model: TankModel, start_s: float, *, seed: int = 0, origin_s: float = 0.0
    ) -> None:
        self.model = model
        self._seed = seed
        self._origin_s = origin_s
        self._simulation = Simulation(model, start_s, seed=seed, origin_s=origin_s)

    def until(self, end_s: float) -> tuple[Trace, list[Reading]]:
        """The truth and the readings since the last call, in order of time."""
        trace = self._simulation.run_to(end_s)
        found = readings(self.model, trace, seed=self._seed, origin_s=self._origin_s)
        return trace, sorted(found, key=lambda reading: reading.time_us)


def check_sensor(sensor: Sensor) -> None:
    """Refuse a sensor of a quantity that the simulation does not have.

    Raises:
        ValueError: naming the quantity.
    """
    allowed = ("temperature", "ph", "illuminance", "ppfd")
    if sensor.quantity not in allowed or sensor.quantity not in QUANTITIES:
        raise ValueError(f"quantity is {sensor.quantity!r}; allowed: {', '.join(allowed)}")


def _key(tank: str, sensor: Sensor) -> int:
    return zlib.crc32(f"{tank}/{sensor.quantity}/{sensor.name}".encode())


def _noise(tank: str, sensor: Sensor, seed: int, number: npt.NDArray[np.int64]) -> Array:
    """One standard normal value for each reading's number."""
    if not number.size:
        return np.empty(0)
    key = _key(tank, sensor)
    first, last = int(number[0]) // BLOCK, int(number[-1]) // BLOCK
    values = np.concatenate([_normals(seed, key, block) for block in range(first, last + 1)])
    return np.asarray(values[number - first * BLOCK])


@lru_cache(maxsize=256)
def _normals(seed: int, key: int, block: int) -> Array:
    generator = np.random.default_rng([seed, key, _NOISE, block + _SHIFT])
    return generator.standard_normal(BLOCK)


def _silent(tank: str, sensor: Sensor, seed: int, since_s: Array) -> npt.NDArray[np.bool_]:
    """Where the sensor is silent."""
    silent = np.zeros(since_s.shape, np.bool_)
    for start, length in _moments(
        tank, sensor, seed, since_s, _SILENCE, sensor.dropouts_per_day, sensor.dropout_min * 60.0
    ):
        silent |= (since_s >= start) & (since_s < start + length)
    return silent


def _spiked(tank: str, sensor: Sensor, seed: int, since_s: Array) -> Array:
    """1 at the first reading after each spike's moment, else 0."""
    spiked = np.zeros(since_s.shape)
    for start, _ in _moments(tank, sensor, seed, since_s, _SPIKE, sensor.spikes_per_day, 0.0):
        spiked[(since_s >= start) & (since_s < start + sensor.every_s)] = 1.0
    return spiked


def _moments(
    tank: str,
    sensor: Sensor,
    seed: int,
    since_s: Array,
    kind: int,
    per_day: float,
    mean_length_s: float,
) -> Iterator[tuple[float, float]]:
    """Random moments (start, length, seconds since the origin) that may touch the span."""
    if not since_s.size or per_day <= 0:
        return
    # a day earlier too: what began then may still last
    first, last = int(since_s[0] // DAY_S) - 1, int(since_s[-1] // DAY_S)
    for day in range(first, last + 1):
        yield from _moments_of_day(seed, _key(tank, sensor), kind, day, per_day, mean_length_s)


@lru_cache(maxsize=1024)
def _moments_of_day(
    seed: int, key: int, kind: int, day: int, per_day: float, mean_length_s: float
) -> tuple[tuple[float, float], ...]:
    generator = np.random.default_rng([seed, key, kind, day + _SHIFT])
    starts = (day + generator.random(generator.poisson(per_day))) * DAY_S
    lengths = generator.exponential(mean_length_s, starts.size) if mean_length_s else starts * 0
    return tuple(zip(starts.tolist(), lengths.tolist(), strict=True))
