"""Kind of option: a quantity in any unit."""

from __future__ import annotations

import math
from typing import Any, Final

import click

from service import units
from service.errors import UnknownUnitError

_SHOWN: Final = {"[pH]": "", "Cel": "°C", "K": "°C"}
"""Units in the help, where that is not their code. Of a difference K are °C."""


class QuantityParameter(click.ParamType[float]):
    """A number with or without a unit, such as ``4``, ``4dKH`` or ``75 degF``.

    Attributes:
        unit: what a bare number is in.
        to: unit of the float that comes out.
    """

    name = "quantity"

    def __init__(
        self, unit: str, to: str, *, low: float | None = None, high: float | None = None
    ) -> None:
        self.unit, self.to, self.low, self.high = unit, to, low, high

    def get_metavar(self, param: click.Parameter, ctx: click.Context) -> str:
        """How it is shown in the help."""
        unit = _SHOWN.get(self.unit, self.unit)
        return f"NUMBER[{unit}]" if unit else "NUMBER"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The float in ``to``; a usage error names the value and what is allowed."""
        if isinstance(value, float):
            return value
        try:
            number, unit = units.split_number_and_unit(str(value))
            converted = units.convert(number, unit or self.unit, self.to)
        except UnknownUnitError as error:
            self.fail(error.detail, param, ctx)
        except ValueError as error:
            self.fail(str(error), param, ctx)
        low = -math.inf if self.low is None else self.low
        high = math.inf if self.high is None else self.high
        if not low <= converted <= high:
            allowed = f"{low:g} to {high:g} {self.to}"
            self.fail(f"{value!r} is outside what is allowed: {allowed}", param, ctx)
        return converted
