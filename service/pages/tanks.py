"""The pages: all tanks, one tank, and the forms on it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Final

from flask import Blueprint, flash, redirect, render_template, request, session, url_for
from werkzeug.wrappers import Response

from service.advice.engine.history.done import logged_words, mark_done, take_back
from service.advice.engine.history.ledger import Ledger
from service.api.context import current, now
from service.api.http.request_checks import form_with_pictures
from service.api.resources.pictures.uploads import limit_parts, sent_pictures
from service.api.resources.sensors import last_refusal
from service.derive.observations import newest_observations
from service.derive.thresholds import STALE_NAME, derived_limit
from service.errors import ConfigError, InvalidInputError, LittoralError, NotFoundError
from service.pages.browser import csrf
from service.pages.drawings.chart_data import RANGES, chart_data
from service.pages.drawings.day_strip import day_sketch
from service.pages.local_time import LocalTime
from service.pages.log.fields import KIND_WORDS, data_of
from service.pages.log.form import log_form
from service.pages.observe import offered_groups
from service.pages.overview import newest_ms, overview_page, tank_overview
from service.pages.pictures.shown import by_month, of_entries
from service.pages.tank.animals import animal_lines
from service.pages.tank.cards import Refused, cards_of, done_data
from service.pages.tank.nutrients import nutrient_drawings
from service.pages.tank.plants import plant_lines
from service.pages.tank.sensor_lines import probe_line, sensor_lines
from service.pages.tank.summary import lines_of, sentence_of
from service.pictures.album import PICTURE_ERRORS
from service.registry.log.entry_text import entry_text
from service.registry.log.observations import observed
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.recommendations import State
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.schemas.fields import is_name

VIEW_DAYS: Final = 8
LOG_SHOWN: Final = 8
LOG_WHOLE: Final = 500
PICTURES_SHOWN: Final = 60
SENSORS_SHOWN: Final = 100
MORNING_HOUR: Final = 8
EVENING_HOUR: Final = 18
SNOOZES: Final = {
    "evening": "until this evening",
    "tomorrow": "until tomorrow morning",
    "three-days": "for three days",
    "week": "for a week",
}

Answer = str | Response | tuple[str, int]


def register(pages: Blueprint) -> None:
    """Add the views to the blueprint."""
    pages.add_url_rule("/", "tanks", tanks)
    pages.add_url_rule("/tanks/<tank>", "tank", tank_page)
    pages.add_url_rule("/tanks/<tank>/log", "log", add_entry, methods=["POST"])
    pages.add_url_rule("/tanks/<tank>/recommendations/<id>", "mark", mark, methods=["POST"])


def tanks() -> str:
    """The tanks, a page at a time, the one that needs somebody first at the top."""
    asked = request.args.get("after", "")
    return render_template(
        "pages/tanks.html",
        page=overview_page(current(), now(), asked if is_name(asked) else None),
        sentence_of=sentence_of,
        newest_ms=newest_ms,
        host=request.host_url.rstrip("/"),
    )


def tank_page(tank: str) -> Answer:
    """One tank: what to do, how it is, and its log."""
    kind = request.args.get("kind", LogKind.WATER_CHANGE.value)
    return _tank_page(current().registry.tank(tank), _kind(kind), {})


@form_with_pictures
def add_entry(tank: str) -> Answer:
    """Write a log entry from the form, then show the tank again."""
    context = current()
    found = context.registry.tank(tank)
    limit_parts()
    given = {name: value for name, value in request.form.items() if name != csrf.FIELD}
    kind = _kind(given.get("kind", ""))
    local_time = LocalTime(found.time_zone, now())
    try:
        csrf.check_form()
        time = local_time.now
        if given.get("time"):
            time = _moment(local_time, given["time"])
        data = data_of(kind, found, given)
        with context.pictures.taken(sent_pictures()) as pictures:
            entry = context.registry.add_log(
                tank,
                kind,
                time,
                data,
                given.get("note", "").strip().replace("\r\n", "\n"),
                given.get("by", "").strip(),
                recorded=local_time.now,
                pictures=pictures,
            )
    except (InvalidInputError, ConfigError, csrf.StaleFormError, *PICTURE_ERRORS) as error:
        return _tank_page(found, kind, given, error), error.kind.status
    context.nudge()
    session["by"] = entry.by
    flash(f"Noted: {_noted_words(entry)}. Advice follows shortly.")
    return redirect(url_for("pages.tank", tank=tank, _anchor="log"), 303)


def _noted_words(entry: LogEntry) -> str:
    """What was noted: the kind, or what was seen on a scale."""
    words, seen = KIND_WORDS[entry.kind], observed(entry.data)
    if entry.kind is LogKind.OBSERVATION and seen is not None:
        words = seen.text
    return f"{words[0].lower()}{words[1:]}" if words[1:2].islower() else words


def mark(tank: str, id: str) -> Answer:
    """Mark a recommendation as done, for later, not for here, or open again."""
    registry = current().registry
    found = registry.tank(tank)
    local_time = LocalTime(found.time_zone, now())
    given = dict(request.form.items())
    try:
        csrf.check_form()
        ledger = Ledger(registry)
        if ledger.get(id).tank != tank:
            raise NotFoundError(f"recommendation is {id!r}; allowed: one of tank {tank}")
        word = request.form.get("mark", "")
        state, until, words = _mark_of(word, local_time)
        logged = ""
        if state is State.DONE:
            by = str(session.get("by", ""))
            data = done_data(found, ledger.get(id), given)
            one, entry = mark_done(registry, id, local_time.now, data, by=by)
            logged = logged_words(entry)
        elif state is State.OPEN:
            one = take_back(registry, id, local_time.now)
        else:
            one = ledger.mark(id, state, until, now=local_time.now)
        current().nudge()
    except (InvalidInputError, csrf.StaleFormError, LittoralError) as error:
        refused = Refused(id, given, error)
        return _tank_page(found, LogKind.WATER_CHANGE, {}, error, refused), error.kind.status
    flash(f"{words}: {one.finding.title}{logged}.")
    return redirect(url_for("pages.tank", tank=tank, _anchor="todo"), 303)


def _mark_of(word: str, local_time: LocalTime) -> tuple[State, datetime | None, str]:
    """What a button of the list means: the state, until when, and the words for it."""
    if word in SNOOZES:
        until = snooze_until(word, local_time)
        return State.SNOOZED, until, f"Put off until {local_time.clock_words(until)}"
    known = {
        "done": (State.DONE, None, "Done"),
        "dismissed": (State.DISMISSED, None, "Taken off the list"),
        "open": (State.OPEN, None, "Back on the list"),
    }
    if word not in known:
        raise InvalidInputError.of_field("mark", word[:40], ", ".join([*known, *SNOOZES]))
    return known[word]


def snooze_until(word: str, local_time: LocalTime) -> datetime:
    """The end, UTC, of putting something off."""
    if word == "evening":
        evening = local_time.next_clock(EVENING_HOUR, 0)
        return evening if evening > local_time.now else local_time.next_clock(EVENING_HOUR, 1)
    days = {"tomorrow": 1, "three-days": 3, "week": 7}
    return local_time.next_clock(MORNING_HOUR, days[word])


def _kind(word: str) -> LogKind:
    try:
        return LogKind(word)
    except ValueError:
        raise InvalidInputError.of_field("kind", word[:40], ", ".join(LogKind)) from None


def _moment(local_time: LocalTime, text: str) -> datetime:
    try:
        return local_time.from_field(text)
    except ValueError:
        raise InvalidInputError.of_field("time", text[:40], "a date and a time") from None


def _tank_page(
    tank: Tank,
    kind: LogKind,
    given: Mapping[str, str],
    error: LittoralError | None = None,
    refused: Refused | None = None,
) -> str:
    """The page of a tank.

    Args:
        kind: of the entry that the form starts with.
        given: what somebody wrote in the form, shown again.
        error: why it was not taken.
        refused: the card of which it was not taken; None: it was the log form.
    """
    context = current()
    found = tank_overview(context, tank, now(), VIEW_DAYS)
    limits = {name: derived_limit(tank, key) for name, key in STALE_NAME.items()}
    shown = LOG_WHOLE if request.args.get("entries") == "all" else LOG_SHOWN
    entries = context.registry.log(tank.id, limit=shown + 1)
    view = found.view
    pictures = context.registry.pictures(tank.id, limit=PICTURES_SHOWN)
    observations = newest_observations(view.log if view else entries, found.local_time.now)
    sensors = sensor_lines(view, limits) if view else ()
    return render_template(
        "pages/tank.html",
        one=found,
        newest_ms=newest_ms,
        tank=tank,
        local_time=found.local_time,
        volume_l=net_volume_l(tank),
        lines=lines_of(view, found.local_time) if view else (),
        sentence=sentence_of(view, found.local_time) if view else found.trouble,
        sensors=sensors[:SENSORS_SHOWN],
        more_sensors=max(len(sensors) - SENSORS_SHOWN, 0) + (view.sensors_left_out if view else 0),
        most_sensors=context.config.ingest.sensors_per_tank,
        refused_sensor=last_refusal(context, tank.id) if sensors else None,
        probe=probe_line(view) if view else None,
        day=day_sketch(view, found.local_time) if view else None,
        chart=chart_data(view) if view else None,
        nutrients=nutrient_drawings(tank, view.log, view.now) if view else (),
        ranges=RANGES,
        entries=entries[:shown],
        more_entries=len(entries) > shown,
        entry_text=entry_text,
        pictures_of=of_entries(tank.id, entries[:shown], found.local_time),
        months=by_month(pictures, found.local_time),
        observe=offered_groups(observations, found.local_time),
        observed_lately=len(observations),
        animals=animal_lines(tank),
        plants=plant_lines(tank, view.log if view else entries, found.local_time.now),
        snoozes=SNOOZES,
        cards=cards_of(tank, found.todo, found.local_time, refused),
        error=error,
        form=log_form(tank, kind, given, None if refused else error, str(session.get("by", ""))),
    )
