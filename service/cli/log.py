"""``littoral log``: note what was done to a tank, or seen in it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

import click

from service.cli.asking import asking, service_options
from service.cli.parameters import MomentParameter, QuantityParameter
from service.cli.shown import as_json_text
from service.client import LogEntry
from service.units import QUANTITIES

_PERCENT: Final = click.FloatRange(0, 100, min_open=True)
_KH: Final = QuantityParameter("dKH", "meq/L", low=0, high=50)
_GH: Final = QuantityParameter("dGH", "meq/L", low=0, high=50)
_LITRES: Final = QuantityParameter("L", "L", low=0)
_WARMTH: Final = QuantityParameter("Cel", "Cel", low=0, high=60)

_COMMON: Final = (
    click.option("--time", type=MomentParameter(), help="When it was done; default: now."),
    click.option("--note", default="", help="A remark."),
    click.option("--by", default="", envvar="LITTORAL_BY", help="Who did it."),
    click.option("--json", "as_json", is_flag=True, help="As JSON."),
)


@click.group("log")
def command() -> None:
    """Note what was done to a tank or seen in it, or list what was."""


def _entry(
    kind: str, text: str, *options: Callable[[Any], Any]
) -> Callable[[Callable[..., dict[str, Any]]], Any]:
    """Decorator: a command that notes an entry of a kind.

    What it decorates turns the command's own ``options`` into the entry's data.
    """

    def decorate(data_of: Callable[..., dict[str, Any]]) -> Any:
        def note_it(
            tank: str,
            time: datetime | None,
            note: str,
            by: str,
            as_json: bool,
            url: str,
            token: str | None,
            **own: Any,
        ) -> None:
            data = data_of(**own)
            with asking(url, token) as client:
                entry = client.add_log(tank, kind, data, time=time, note=note, by=by)
            click.echo(as_json_text(entry) if as_json else f"noted: {_line(entry)}")

        made: Any = service_options(note_it)
        for option in reversed((*options, *_COMMON)):
            made = option(made)
        return command.command(kind, help=text)(click.argument("tank")(made))

    return decorate


@_entry(
    "water-change",
    "A water change, told as a share or as a volume.",
    click.option("--percent", type=_PERCENT, help="Of the net volume; this or --volume."),
    click.option("--volume", type=_LITRES, help="Changed water; bare: litres."),
    click.option("--temperature", type=_WARMTH, help="Of the new water; bare: °C."),
    click.option("--kh", type=_KH, help="Of the new water; bare: dKH."),
)
def _water_change(
    percent: float | None, volume: float | None, temperature: float | None, kh: float | None
) -> dict[str, Any]:
    if (percent is None) == (volume is None):
        raise click.UsageError("one of --percent and --volume is needed")
    return _quantities(
        fraction=(percent, "%"), volume=(volume, "L"), temperature=(temperature, "Cel"),
        kh=(kh, "meq/L"),
    )  # fmt: skip


@_entry(
    "dose",
    "A dose of fertiliser, told in millilitres or in grams.",
    click.option("--name", required=True, help="As in the tank's plan."),
    click.option("--ml", type=click.FloatRange(0, min_open=True), help="Of a solution."),
    click.option("--g", type=click.FloatRange(0, min_open=True), help="Of a dry salt."),
)
def _dose(name: str, ml: float | None, g: float | None) -> dict[str, Any]:
    if (ml is None) == (g is None):
        raise click.UsageError("one of --ml and --g is needed")
    return {"name": name, **_quantities(volume=(ml, "mL"), mass=(g, "g"))}


@_entry(
    "kh-test",
    "A test of carbonate hardness.",
    click.option("--kh", type=_KH, required=True, help="Bare: dKH."),
)
def _kh_test(kh: float) -> dict[str, Any]:
    return _quantities(kh=(kh, "meq/L"))


@_entry(
    "gh-test",
    "A test of general hardness.",
    click.option("--gh", type=_GH, required=True, help="Bare: dGH."),
)
def _gh_test(gh: float) -> dict[str, Any]:
    return _quantities(gh=(gh, "meq/L"))


@_entry(
    "trim",
    "Plants were cut back.",
    click.option("--percent", type=_PERCENT, help="Of the plants."),
    click.option("--part", help="Which plants."),
)
def _trim(percent: float | None, part: str | None) -> dict[str, Any]:
    return _quantities(share=(percent, "%")) | ({"part": part} if part else {})


@_entry(
    "replant",
    "Plants were put in, or the soil was stirred.",
    click.option("--percent", type=_PERCENT, help="Of the soil."),
    click.option("--part", help="Which corner."),
)
def _replant(percent: float | None, part: str | None) -> dict[str, Any]:
    return _quantities(share=(percent, "%")) | ({"part": part} if part else {})


@_entry(
    "filter-clean",
    "A filter was cleaned.",
    click.option("--part", help="Which filter, or which part of it."),
)
def _filter_clean(part: str | None) -> dict[str, Any]:
    return {"part": part} if part else {}


@_entry(
    "stocking",
    "Animals came in or left.",
    click.option("--species", required=True, help="Scientific name."),
    click.option("--count", type=int, required=True, help="How many; below 0: how many left."),
)
def _stocking(species: str, count: int) -> dict[str, Any]:
    return {"species": species, "count": count}


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


@_entry(
    "calibration",
    "A sensor was calibrated: one of --buffer, --point, --offset and --factor says how its numbers "
    "are to be read from then on; none of them: the device was set itself.",
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
)  # fmt: skip
def _calibration(
    buffer_points: tuple[dict[str, Any], ...], pairs: tuple[dict[str, Any], ...], **told: Any
) -> dict[str, Any]:
    points = [*buffer_points, *pairs]
    given = {name: value for name, value in told.items() if value is not None}
    return given | ({"points": points} if points else {})


@_entry("observation", "Whatever was seen; say it with --note.")
def _observation() -> dict[str, Any]:
    return {}


@command.command("list")
@click.argument("tank")
@click.option("--kind", help="Only entries of this kind.")
@click.option("--limit", type=click.IntRange(1, 1000), default=20, show_default=True)
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
@service_options
def list_(
    tank: str, kind: str | None, limit: int, as_json: bool, url: str, token: str | None
) -> None:
    """List what was noted of TANK, newest first."""
    with asking(url, token) as client:
        entries = client.log(tank, kind=kind, limit=limit)
    if as_json:
        click.echo(as_json_text({"tank": tank, "entries": entries}))
    else:
        click.echo("\n".join(_line(entry) for entry in entries) or "nothing noted yet")


def _quantities(**given: tuple[float | None, str]) -> dict[str, Any]:
    return {
        name: {"value": value, "unit": unit}
        for name, (value, unit) in given.items()
        if value is not None
    }


def _line(entry: LogEntry) -> str:
    facts = ", ".join(f"{name} {_fact(value)}" for name, value in entry.data.items())
    parts = (f"{entry.time:%Y-%m-%d %H:%M} UTC", entry.tank, entry.kind, facts, entry.note)
    by = f" ({entry.by})" if entry.by else ""
    return "  ".join(part for part in parts if part) + by


def _fact(value: Any) -> str:
    if not isinstance(value, dict) or "value" not in value:
        return str(value)
    shown = value.get("display", value)
    return f"{shown['value']:.4g} {shown['unit']}"
