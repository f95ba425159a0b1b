"""``littoral log calibration``: how a sensor's numbers are to be read from now on."""

from __future__ import annotations

from typing import Any, Final

import click

from service.cli.log.entry import entry_command
from service.units import QUANTITIES


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


def add_to(group: click.Group) -> None:
    """Add the command to a group."""
    entry_command(
        group,
        "calibration",
        "A sensor was calibrated: one of --buffer, --point, --offset and --factor says how its "
        "numbers are to be read from then on; none of them: the device was set itself.",
        click.option("--quantity", type=click.Choice(list(QUANTITIES)), default="ph"),
        click.option("--sensor", default="main", show_default=True),
        click.option(
            "--buffer", "buffer_points", type=_BUFFER, metavar="BUFFER=MV[@CELSIUS]",
            multiple=True, help="pH buffer and what the electrode sent in it, as in 7.00=2.1@22.",
        ),
        click.option("--buffers", help="Set of buffers: technical or nist."),
        click.option("--zero-mv", type=float, help="Of an amplifier."),
        click.option("--gain", type=float, help="Of an amplifier."),
        click.option(
            "--point", "pairs", type=_PAIR, metavar="READING=REFERENCE", multiple=True,
            help="What the sensor said and what was true, as in 24.3=24.0.",
        ),
        click.option("--offset", type=float, help="Added to what the sensor says."),
        click.option("--factor", type=float, help="What the sensor says is multiplied by it."),
        click.option("--unit", type=click.Choice(["mV", "lx"]), help="What the sensor sends."),
        click.option("--slope-percent", type=float, help="As the pH meter told it."),
    )(_data_of)  # fmt: skip


def _data_of(
    buffer_points: tuple[dict[str, Any], ...], pairs: tuple[dict[str, Any], ...], **told: Any
) -> dict[str, Any]:
    points = [*buffer_points, *pairs]
    given = {name: value for name, value in told.items() if value is not None}
    return given | ({"points": points} if points else {})
