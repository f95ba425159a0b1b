"""pH of calibration buffers by temperature, as named sets.

Buffers of different sets with the same label are different liquids: a phosphate standard reads
6.865 at 25 °C, a technical buffer 7.00. Name the set, or give the table printed on the bottle.

Sources
-------
"nist": potassium hydrogen phthalate 0.05 mol/kg, equimolal phosphate 0.025 mol/kg, borax
0.01 mol/kg; NIST SP 260-53 and DIN 19266 (third decimal from memory; use 0.01).
"technical": coloured ready-made buffers 4.01 / 7.00 / 10.01 at 25 °C. Makers' tables differ by
0.01-0.02 above 30 °C (from memory; the bottle's own table goes first).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from service.science.numeric.checks import Floats, OutOfRangeError, as_floats


@dataclass(frozen=True)
class Buffer:
    """One buffer: ``ph`` at each of ``temperature_c`` (ascending)."""

    temperature_c: tuple[float, ...]
    ph: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.temperature_c) != len(self.ph) or len(self.ph) < 2:
            allowed = f"two or more, one for each of {len(self.temperature_c)} temperatures"
            raise OutOfRangeError("ph", self.ph, allowed)
        if any(np.diff(self.temperature_c) <= 0):
            raise OutOfRangeError("temperature_c", self.temperature_c, "ascending temperatures")

    def ph_at(self, temperature_c: ArrayLike) -> Floats:
        """pH at a temperature within the table (shape kept), straight lines between its rows.

        Raises
        ------
        OutOfRangeError: outside the table: buffers do not extrapolate.
        """
        low, high = self.temperature_c[0], self.temperature_c[-1]
        celsius = as_floats("temperature_c", temperature_c, low=low, high=high, unit="°C")
        return np.asarray(np.interp(celsius, self.temperature_c, self.ph))


_TEMPERATURES = (10.0, 20.0, 25.0, 30.0, 40.0)

BUFFER_SETS: Final[Mapping[str, Mapping[str, Buffer]]] = {
    "nist": {
        "phthalate": Buffer(_TEMPERATURES, (3.997, 4.001, 4.005, 4.011, 4.027)),
        "phosphate": Buffer(_TEMPERATURES, (6.923, 6.881, 6.865, 6.853, 6.838)),
        "borax": Buffer(_TEMPERATURES, (9.332, 9.225, 9.180, 9.139, 9.068)),
    },
    "technical": {
        "4.01": Buffer(_TEMPERATURES, (4.00, 4.00, 4.01, 4.02, 4.03)),
        "7.00": Buffer(_TEMPERATURES, (7.06, 7.02, 7.00, 6.99, 6.97)),
        "10.01": Buffer(_TEMPERATURES, (10.18, 10.06, 10.01, 9.97, 9.89)),
    },
}


def buffer(set_name: str, name: str) -> Buffer:
    """A buffer by its set and name.

    Raises
    ------
    OutOfRangeError: names what there is.
    """
    if set_name not in BUFFER_SETS:
        raise OutOfRangeError("buffer set", set_name, ", ".join(BUFFER_SETS))
    names = BUFFER_SETS[set_name]
    if name not in names:
        raise OutOfRangeError("buffer", name, f"{', '.join(names)} in the set {set_name}")
    return names[name]
