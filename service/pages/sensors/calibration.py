"""The guided two-point calibration of a pH probe: one thing to do on each page.

Where the person is, and what the sensor showed, is in the address: it survives a reload and a phone
that was locked. The probe is logged as out of the tank from the start until it is logged as back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

from flask import Blueprint, flash, redirect, render_template, request, session, url_for
from marshmallow import ValidationError
from werkzeug.wrappers import Response

from service.api.context import current, now
from service.api.resources.calibrations.probe import ProbeNow, probe_now
from service.api.resources.sensors import believed_sensors
from service.derive.calculations.two_buffers import PAIRS, BufferPair, Shown, TwoPoint, two_point
from service.errors import InvalidInputError, LittoralError
from service.pages.browser import csrf
from service.pages.local_time import LocalTime
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.schemas.entry import json_of
from service.schemas.fields import Number
from service.science.numeric.checks import OutOfRangeError
from service.store import SeriesInfo

STEPS: Final = ("start", "dip-first", "first", "dip-second", "second", "result", "back")
_ROOM_C: Final = 25.0
_CARRIED: Final = ("sensor", "pair", "celsius", "zero_mv", "gain", "scale", "first", "second")
"""What the address carries from step to step."""

Answer = str | Response | tuple[str, int]


@dataclass(frozen=True, slots=True)
class Run:
    """A calibration under way, as the address has it."""

    sensor: str
    pair: BufferPair
    celsius: float
    zero_mv: float
    gain: float
    scale: str | None
    first: float | None
    second: float | None

    def shown(self) -> Shown | None:
        """What the sensor showed in both buffers; None before that."""
        if self.first is None or self.second is None:
            return None
        return Shown(self.first, self.second, self.scale, self.celsius, self.zero_mv, self.gain)


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    base = "/tanks/<tank>/calibrate"
    pages.add_url_rule(base, "calibrate", calibrate)
    pages.add_url_rule(f"{base}/begin", "begin_calibration", begin, methods=["POST"])
    pages.add_url_rule(f"{base}/save", "save_calibration", save, methods=["POST"])
    pages.add_url_rule(f"{base}/back", "probe_back", back, methods=["POST"])


def calibrate(tank: str) -> Answer:
    """The step that the address names."""
    found = current().registry.tank(tank)
    try:
        return _step(found, request.args.get("step", "start"))
    except InvalidInputError as error:
        return _page(found, "start", error=error), error.kind.status


def begin(tank: str) -> Answer:
    """Log that the probe leaves the tank, and go to the first buffer."""
    found = current().registry.tank(tank)
    try:
        csrf.check_form()
        run = _run(request.form)
        _log(tank, LogKind.PROBE_OUT, run.sensor)
    except LittoralError as error:
        return _page(found, "start", error=error), error.kind.status
    return redirect(_address(tank, "dip-first", _carried(request.form)), 303)


def save(tank: str) -> Answer:
    """Log the calibration."""
    found = current().registry.tank(tank)
    run: Run | None = None
    try:
        csrf.check_form()
        run = _run(request.form)
        made = _made(run)
        moment = now()
        by = str(session.get("by", ""))
        current().registry.add_log(
            tank, LogKind.CALIBRATION, moment, made.data, by=by, recorded=moment
        )
    except LittoralError as error:
        step = "start" if run is None else "result"
        return _page(found, step, run, error=error), error.kind.status
    current().nudge()
    flash("Calibration saved.")
    return redirect(_address(tank, "back", {"sensor": run.sensor}), 303)


def back(tank: str) -> Answer:
    """Log that the probe is in the tank again."""
    found = current().registry.tank(tank)
    try:
        csrf.check_form()
        _log(tank, LogKind.PROBE_BACK, request.form.get("sensor", ""))
    except LittoralError as error:
        return _page(found, "back", error=error), error.kind.status
    flash("The probe is back in the tank: its readings count again.")
    return redirect(url_for("pages.tank_sensors", tank=tank), 303)


def _step(tank: Tank, step: str) -> Answer:
    if step not in STEPS:
        raise InvalidInputError.of_field("step", step[:20], ", ".join(STEPS))
    if step == "start":
        return _page(tank, step)
    if step == "back":
        return _page(tank, step, sensor=request.args.get("sensor", ""))
    run = _run(request.args)
    if step not in ("first", "second"):
        return _page(tank, step, run)
    if "since" not in request.args:  # it is in the buffer from now on
        moment = f"{now().timestamp():.3f}"
        return redirect(_address(tank.id, step, _carried(request.args) | {"since": moment}), 303)
    since = _since(request.args["since"])
    probe = probe_now(current(), tank.id, run.sensor, since)
    taking = request.args.get("take")
    if probe.last is not None and (taking == "anyway" or (taking and probe.steadiness.steady)):
        taken = {step: f"{probe.steadiness.value:.6g}", "scale": probe.scale or ""}
        after = "dip-second" if step == "first" else "result"
        return redirect(_address(tank.id, after, _carried(request.args) | taken), 303)
    return _page(tank, step, run, probe=probe)


def _page(
    tank: Tank,
    step: str,
    run: Run | None = None,
    *,
    probe: ProbeNow | None = None,
    error: LittoralError | None = None,
    sensor: str = "",
) -> str:
    made: TwoPoint | None = None
    if step == "result" and run is not None and error is None:
        try:
            made = _made(run)
        except InvalidInputError as refused:
            error = refused
    faults = {one.pointer.strip("/"): one.detail for one in error.faults} if error else {}
    series = current().store.series(tank.id) if step == "start" else []
    sensors = [info.key.sensor for info in series if info.key.quantity == "ph"]
    chosen = request.values.get("sensor", "") or _believed(tank, series)
    return render_template(
        "pages/calibrate.html",
        tank=tank,
        step=step,
        number_of=STEPS.index(step),
        run=run,
        probe=probe,
        made=made,
        error=error,
        faults=faults,
        sensors=sensors,
        pairs=PAIRS,
        given=request.values,
        chosen=chosen,
        sensor=sensor or (run.sensor if run else ""),
        carried=_carried(request.values),
        address=lambda name, **more: _address(
            tank.id, name, _carried(request.values) | {key: str(one) for key, one in more.items()}
        ),
        since=request.values.get("since", ""),
        buffer=None if run is None else _buffer(step, run),
        local_time=LocalTime(tank.time_zone, now()),
    )


def _believed(tank: Tank, series: Sequence[SeriesInfo]) -> str:
    """The pH sensor that is believed; "" where there is none."""
    keys = [key for key in believed_sensors(current(), tank, series) if key.quantity == "ph"]
    return keys[0].sensor if keys else ""


def _buffer(step: str, run: Run) -> str:
    return run.pair.second if step.endswith("second") else run.pair.first


def _made(run: Run) -> TwoPoint:
    shown = run.shown()
    if shown is None:
        raise InvalidInputError.of_field("second", "", "what the sensor showed in both buffers")
    try:
        return two_point(run.sensor, run.pair, shown)
    except OutOfRangeError as error:
        allowed = "two buffers in which the sensor shows different values; repeat both"
        raise InvalidInputError.of_field(
            "points", f"{shown.first:g} and {shown.second:g}", f"{allowed} ({error})"
        ) from error


def _log(tank: str, kind: LogKind, sensor: str) -> None:
    moment = now()
    data = {"quantity": "ph", "sensor": sensor}
    by = str(session.get("by", ""))
    current().registry.add_log(tank, kind, moment, data, by=by, recorded=moment)
    current().nudge()


def _carried(sent: Mapping[str, str]) -> dict[str, str]:
    return {key: sent[key][:64] for key in _CARRIED if sent.get(key)}


def _address(tank: str, step: str, values: Mapping[str, Any]) -> str:
    return url_for("pages.calibrate", tank=tank, step=step, **values)


def _since(text: str) -> datetime:
    """When the probe came into the buffer, of an address.

    Raises:
        InvalidInputError: that is no moment.
    """
    try:
        return datetime.fromtimestamp(float(text), UTC)
    except (ValueError, OverflowError, OSError) as error:
        allowed = "seconds since 1970, such as 1780000000.5"
        raise InvalidInputError.of_field("since", text[:40], allowed) from error


def _run(sent: Mapping[str, str]) -> Run:
    """The calibration of a form or an address.

    Raises:
        InvalidInputError: names the field, its value and what is allowed.
    """
    keys = {pair.key: pair for pair in PAIRS}
    pair = keys.get(sent.get("pair", PAIRS[0].key))
    if pair is None:
        raise InvalidInputError.of_field("pair", sent["pair"][:40], "one of the form")
    sensor = sent.get("sensor", "").strip()
    if not sensor:
        raise InvalidInputError.of_field("sensor", "", "the pH sensor to calibrate")
    numbers = {
        name: _number(sent, name) for name in ("celsius", "zero_mv", "gain", "first", "second")
    }
    celsius, zero_mv, gain = numbers["celsius"], numbers["zero_mv"], numbers["gain"]
    if celsius is not None and not 10.0 <= celsius <= 40.0:
        raise InvalidInputError.of_field("celsius", celsius, "10 to 40 °C")
    return Run(
        sensor,
        pair,
        _ROOM_C if celsius is None else celsius,
        0.0 if zero_mv is None else zero_mv,
        1.0 if gain is None else gain,
        sent.get("scale") or None,
        numbers["first"],
        numbers["second"],
    )


def _number(sent: Mapping[str, str], name: str) -> float | None:
    text = sent.get(name, "").strip()
    if not text:
        return None
    try:
        found: float = Number().deserialize(json_of(Number(), text))
    except ValidationError as error:
        raise InvalidInputError.of_field(name, text[:40], "a number such as 24.5") from error
    return found
