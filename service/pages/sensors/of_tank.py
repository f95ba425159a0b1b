"""The sensors of one tank: which is believed and why, a choice, and the calibrations."""

from __future__ import annotations

from dataclasses import dataclass, replace

from flask import Blueprint, flash, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.resources.calibrations.resource import shown_calibrations
from service.api.resources.calibrations.undo import undo_calibration
from service.api.resources.sensors import believed_sensors
from service.derive.sensors.choice import Why, flag_words
from service.errors import InvalidInputError, LittoralError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.pages.number_format import shown_value
from service.quantities import QUANTITIES, quantity_words
from service.registry.models.tank import Tank
from service.store import Reading

WHY_WORDS = {
    Why.CHOSEN: "believed: you chose it",
    Why.MAIN: "believed: it is called main",
    Why.FIRST: "believed: it was here first",
    Why.STAND_IN: "believed for now: the one that should count gives no usable reading",
}

Answer = str | Response | tuple[str, int]


@dataclass(frozen=True, slots=True)
class Line:
    """A sensor with its latest reading, and why it is believed; "" where it is not."""

    sensor: str
    value: str
    unit: str
    last: Reading
    doubts: str
    why: str


@dataclass(frozen=True, slots=True)
class Group:
    """The sensors of one quantity, the believed one first.

    Attributes:
        chosen: the sensor that somebody chose; "" where nobody did.
    """

    quantity: str
    lines: tuple[Line, ...]
    chosen: str

    @property
    def is_missing(self) -> bool:
        """Whether the chosen sensor has no readings."""
        return bool(self.chosen) and all(one.sensor != self.chosen for one in self.lines)


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/tanks/<tank>/sensors", "tank_sensors", tank_sensors)
    pages.add_url_rule("/tanks/<tank>/sensors/believed", "believe", believe, methods=["POST"])
    pages.add_url_rule(
        "/tanks/<tank>/sensors/calibrations/<entry>/undo", "undo", undo, methods=["POST"]
    )


def tank_sensors(tank: str) -> str:
    """The sensors of a tank, which of them are believed, and their calibrations."""
    return _page(current().registry.tank(tank))


def believe(tank: str) -> Answer:
    """Choose the sensor to believe of one quantity, or leave it to Littoral."""
    found = current().registry.tank(tank)
    quantity, sensor = request.form.get("quantity", ""), request.form.get("sensor", "")
    try:
        csrf.check_form()
        if quantity not in QUANTITIES:
            raise InvalidInputError.of_field("quantity", quantity[:40], ", ".join(QUANTITIES))

        def choose(one: Tank) -> Tank:
            sensors = {key: name for key, name in one.sensors.items() if key != quantity}
            return replace(one, sensors=sensors | ({quantity: sensor} if sensor else {}))

        current().registry.change_tank(tank, choose, now=now())
    except LittoralError as error:
        return _page(found, error.detail), error.kind.status
    current().nudge()
    what = quantity_words(quantity)
    flash(
        f"The {what} of {found.name} is taken from {sensor}."
        if sensor
        else f"The {what} of {found.name} is taken from main, or else from the sensor here first."
    )
    return redirect(url_for("pages.tank_sensors", tank=tank), 303)


def undo(tank: str, entry: str) -> Answer:
    """Take back a calibration, and judge the readings since anew."""
    found = current().registry.tank(tank)
    try:
        csrf.check_form()
        _, done = undo_calibration(current(), tank, entry)
    except LittoralError as error:
        return _page(found, error.detail), error.kind.status
    current().nudge()
    flash(f"Calibration undone. Readings since then: {done.readings}, changed: {done.changed}.")
    return redirect(url_for("pages.tank_sensors", tank=tank, _anchor="calibrations"), 303)


def _page(tank: Tank, trouble: str = "") -> str:
    return render_template(
        "pages/tank_sensors.html",
        tank=tank,
        trouble=trouble,
        groups=_groups(tank),
        calibrations=shown_calibrations(tank.id)[:20],
        local_time=LocalTime(tank.time_zone, now()),
    )


def _groups(tank: Tank) -> tuple[Group, ...]:
    context = current()
    series = context.store.series(tank.id)
    believed = believed_sensors(context, tank, series)
    groups = []
    for quantity in QUANTITIES:
        lines = [
            Line(
                info.key.sensor,
                *shown_value(info.last),
                info.last,
                flag_words(info.last.flags),
                WHY_WORDS[believed[info.key].why] if info.key in believed else "",
            )
            for info in series
            if info.key.quantity == quantity
        ]
        chosen = tank.sensors.get(quantity, "")
        if lines or chosen:
            in_order = sorted(lines, key=lambda one: (not one.why, one.sensor))
            groups.append(Group(quantity, tuple(in_order), chosen))
    return tuple(groups)
