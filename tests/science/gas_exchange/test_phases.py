"""Where a phase begins in a series of steps."""

from __future__ import annotations

import numpy as np
import pytest

from service.science.gas_exchange.phases import (
    BIN_S,
    DUSK_S,
    MIXING_S,
    Phase,
    Series,
    phases_from_schedule,
    phases_from_turns,
)

START_S = 1_767_225_600.0


def series(ln_co2: np.ndarray) -> Series:
    """One value every ten minutes, none of them seen lit or dark."""
    time_s = START_S + BIN_S * np.arange(ln_co2.size)
    return Series(time_s, np.exp(ln_co2), np.full(ln_co2.size, 24.0), None)


def steps(*parts: tuple[float, int]) -> np.ndarray:
    return np.concatenate([np.full(count, value) for value, count in parts])


@pytest.mark.parametrize(("step", "left"), [(0.1, 41), (0.11, 35)])
@pytest.mark.parametrize("kind", ["rise", "decay"])
def test_what_lies_a_tenth_from_the_level_still_belongs_to_it(
    kind: str, step: float, left: int
) -> None:
    """Six hours at a level, an hour a step off it, then on by 0.05 in each ten minutes.

    The swing is 1 in ln CO2, so a tenth counts as near, with the tenth itself: the phase begins
    after the last value that is near (``left``) and the time that settling takes.
    """
    way = 1.0 if kind == "rise" else -1.0
    level = 3.0 if kind == "rise" else 4.0
    off = level + way * step
    ramp = level + way * np.arange(step + 0.05, 1.0, 0.05)
    made = series(np.concatenate([steps((level, 36), (off, 6)), ramp, steps((level + way, 30))]))
    assert made.ln_co2[40] == off  # exactly: the limit itself is tried
    (found,) = phases_from_turns(made)
    settling_s = MIXING_S if kind == "rise" else DUSK_S
    assert (found.kind, found.first) == (kind, left + np.ceil(settling_s / BIN_S))


def test_gas_by_the_clock_gives_the_same_bins_whatever_the_water_does() -> None:
    """Gas from bin 30 to 60: two bins to mix, a rise to gas-off; decay from an hour after."""
    made = series(np.linspace(0.0, 1.0, 120))
    on, off = made.time_s[30], made.time_s[60]
    settled = int(np.ceil(MIXING_S / BIN_S))
    found = phases_from_schedule(made, [(on, off)])
    assert found == [Phase("rise", 30 + settled, 59), Phase("decay", 66, 119)]
