"""``littoral log calibration``: how a sensor's numbers are to be read from now on."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import click

from service.cli.log.entry import entry_command
from service.cli.log.options import data_of, options_of
from service.registry.fields.log.entry import LogData


class _PointParameter(click.ParamType[dict[str, Any]]):
    """``A=B``, or ``A=B@C`` where there is a third part, as a point of a calibration."""

    name = "point"

    def __init__(self, shape: str, *keys: str) -> None:
        self._shape = shape
        self._keys = keys

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> dict[str, Any]:
        """See ``click.ParamType``."""
        words = str(value).replace("@", "=").split("=")
        try:
            numbers = [float(word) for word in words]
        except ValueError:
            numbers = []
        if not 2 <= len(numbers) <= len(self._keys):
            self.fail(f"{value!r} is not {self._shape}", param, ctx)
        point: dict[str, Any] = dict(zip(self._keys, numbers, strict=False))
        if "buffer" in point:
            point["buffer"] = words[0]  # a name, as printed on the bottle
        return point


_BUFFER: Final = _PointParameter("BUFFER=MV[@CELSIUS]", "buffer", "millivolts", "temperature_c")
_PAIR: Final = _PointParameter("READING=REFERENCE", "reading", "reference")


def add_to(group: click.Group, schema: LogData) -> None:
    """Add the command to a group."""
    entry_command(
        group,
        "calibration",
        "A sensor was calibrated. --buffer, --point, --offset or --factor says how its numbers are "
        "to be read from then on; give none of them where the device itself was set.",
        click.option(
            "--buffer", "buffer_points", type=_BUFFER, metavar="BUFFER=MV[@CELSIUS]",
            multiple=True, help="pH buffer and what the electrode sent in it, as in 7.00=2.1@22.",
        ),
        click.option(
            "--point", "pairs", type=_PAIR, metavar="READING=REFERENCE", multiple=True,
            help="What the sensor measured and what was true, as in 24.3=24.0.",
        ),
        *options_of(schema),
    )(partial(_data, schema))  # fmt: skip


def _data(
    schema: LogData,
    buffer_points: tuple[dict[str, Any], ...],
    pairs: tuple[dict[str, Any], ...],
    **given: Any,
) -> dict[str, Any]:
    points = [*buffer_points, *pairs]
    return data_of(schema, given) | ({"points": points} if points else {})
