"""Rules on sensors: silent, disagreeing, missing."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.advice import cautions
from service.advice.engine.history.lifecycle import advance, marked
from service.advice.engine.recommendation import Recommendation, Severity
from service.registry.models.ingest import DeviceClock
from service.registry.models.recommendations import State
from service.registry.models.tank import Stock
from service.store.model import Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.advice.cases import amount, found, the, view_with
from tests.advice.conditions import active_conditions
from tests.derive.pieces import NOON, a_tank


def test_advice_to_test_kh_carries_the_caution_on_chemicals() -> None:
    (one,) = found(view_with(a_tank(kh_meq_l=None), log=[]), "no-advice")
    assert one.cautions == (cautions.CHEMICALS,)


def with_sensor(
    view, quantity: str, sensor: str, value: float, minutes_ago: float, flags=Flag.NONE
):  # type: ignore[no-untyped-def]
    key = SeriesKey("reed", quantity, sensor)
    last = Reading("reed", quantity, sensor, to_us(NOON) - int(minutes_ago * 6e7), value, flags)
    return replace(view, sensors=(*view.sensors, SeriesInfo(key, last)))


def test_a_silent_spare_is_no_warning_and_one_taken_out_is_forgotten() -> None:
    spare = with_sensor(view_with(), "temperature", "spare", 24.0, 120)
    one = the(spare, "sensor-silent")
    assert one.severity is Severity.ADVICE
    assert one.subject == "temperature spare"
    assert "Another sensor of the tank still measures it" in one.action
    old = with_sensor(view_with(), "temperature", "spare", 24.0, 20 * 1440)
    assert found(old, "sensor-silent") == []


@pytest.mark.parametrize("days", [13, 15, 200])
def test_the_only_thermometer_that_died_stays_reported_until_somebody_answers(days: int) -> None:
    own = view_with()
    others = tuple(one for one in own.sensors if one.key.quantity != "temperature")
    view = with_sensor(replace(own, sensors=others), "temperature", "main", 24.0, days * 1440)
    reported = frozenset({("sensor-silent", "temperature main")})
    one = the(view, "sensor-silent", reported)
    assert one.severity is Severity.WARNING
    assert "dismiss" in one.action
    replaced = with_sensor(view, "temperature", "new", 24.0, 1)
    assert bool(found(replaced, "sensor-silent", reported)) == (days < 14)
    # one that was silent for weeks before anybody looked was taken out
    assert bool(found(view, "sensor-silent")) == (days < 14)


def test_it_stays_reported_when_the_store_no_longer_keeps_its_last_reading() -> None:
    """With ``keep_raw_days`` of less than the time that somebody takes to answer."""
    own = view_with()
    gone = replace(
        own, sensors=tuple(one for one in own.sensors if one.key.quantity != "temperature")
    )
    reported = frozenset({("sensor-silent", "temperature main")})
    one = the(gone, "sensor-silent", reported)
    assert (one.severity, one.subject) == (Severity.WARNING, "temperature main")
    assert "dismiss" in one.action
    assert found(gone, "sensor-silent") == []
    replaced = with_sensor(gone, "temperature", "new", 24.0, 1)
    assert found(replaced, "sensor-silent", reported) == []


def test_a_person_answers_for_a_sensor_that_was_taken_out() -> None:
    """Dismissed once, it does not come back, however long it is silent."""
    own = view_with()
    others = tuple(one for one in own.sensors if one.key.quantity != "temperature")
    known: list[Recommendation] = []
    opened = 0
    for hours in range(2, 60 * 24, 12):
        view = with_sensor(replace(own, sensors=others), "temperature", "main", 24.0, 60 * hours)
        now = NOON + timedelta(hours=hours)
        findings = found(view, "sensor-silent", active_conditions(known))
        after = advance(known, "reed", findings, now)
        opened += sum(one.id not in {each.id for each in known} for one in after)
        if hours > 30 * 24:
            after = [marked(one, State.DISMISSED, now) for one in after]
        assert [one.state for one in after] == [State.DISMISSED if hours > 30 * 24 else State.OPEN]
        known = after
    assert opened == 1


def test_disagreement_needs_fresh_usable_readings_close_in_time() -> None:
    view = view_with()
    own = view.latest["temperature"].value
    assert amount(
        the(with_sensor(view, "temperature", "b", own + 1.0, 2), "sensors-disagree"), "apart"
    ) == pytest.approx(1.0)
    for value, ago, flags in (
        (own + 0.5, 2, Flag.NONE),
        (own + 3, 40, Flag.NONE),
        (own + 3, 2, Flag.STUCK),
    ):
        other = with_sensor(view, "temperature", "b", value, ago, flags)
        assert found(other, "sensors-disagree") == []


def test_a_single_impossible_reading_opens_nothing() -> None:
    view = with_sensor(view_with(), "temperature", "spare", -127.0, 2, Flag.IMPLAUSIBLE)
    key = SeriesKey("reed", "temperature", "spare")
    assert found(replace(view, slips=frozenset({key})), "sensor-implausible") == []
    one = the(view, "sensor-implausible")  # several of the last ones were
    assert one.subject == "temperature spare"


def test_what_no_sensor_measures_is_named_as_people_write_it() -> None:
    titles = {one.title for one in found(replace(view_with(), sensors=()), "no-advice")}
    assert titles == {f"No advice on {one}" for one in ("CO2", "temperature", "light")}


def test_animals_that_no_advice_covers_are_named() -> None:
    stock = (*a_tank().animals, Stock("An invented fish", 3), Stock("Another of them", 0))
    one = the(view_with(a_tank(animals=stock)), "no-advice")
    assert one.subject == "animals"
    assert one.title == "No advice on animals"
    assert "What An invented fish tolerates is not known" in one.action
    own = replace(stock[-2], temperature_low_c=20.0, temperature_high_c=28.0)
    assert found(view_with(a_tank(animals=(*stock[:-2], own))), "no-advice") == []


def test_a_clock_that_cannot_be_relied_on_is_said() -> None:
    """It reports, but nobody knows when it measured: not silently without a value."""
    own = view_with()
    others = tuple(one for one in own.sensors if one.key.quantity != "ph")
    bare = replace(own, sensors=others, latest={})
    wandering = with_sensor(bare, "ph", "board", 6.6, 1, Flag.CLOCK)
    one = the(wandering, "sensor-clock")
    assert one.title == "The clock of the pH sensor board can't be relied on"
    assert "don't count for CO2" in one.action
    shortly = Reading("reed", "ph", "board", to_us(NOON) - 10 * 60_000_000, 6.6)
    assert found(replace(wandering, latest={"ph": shortly}), "sensor-clock") == []
    long_ago = Reading("reed", "ph", "board", to_us(NOON) - 40 * 60_000_000, 6.6)
    assert len(found(replace(wandering, latest={"ph": long_ago}), "sensor-clock")) == 1
    known = DeviceClock("reed", "ph", "board", 600, NOON)
    (constant,) = found(replace(wandering, clocks=(known,)), "sensor-clock")
    assert constant.title == "The clock of board is 10 min fast"


@pytest.mark.parametrize(
    ("fast_s", "words"),
    [
        (600, "10 min fast"),
        (7203, "2 h 0 min fast; it probably sends local time"),
        (-18_000, "5 h 0 min slow; it probably sends local time"),
        (-2400, "40 min slow"),
        (19_800, "5 h 30 min fast; it probably sends local time"),
        (20_700, "5 h 45 min fast"),
        (-1_700_000_000, "never set"),
    ],
)
def test_a_clock_in_words(fast_s: int, words: str) -> None:
    clock = DeviceClock("reed", "ph", "ph-1", fast_s, NOON)
    one = the(replace(view_with(), clocks=(clock,)), "sensor-clock")
    assert words in one.title
    asks = ("time_zone" in one.action, "clock_offset_s" in one.action)
    assert asks == ("local time" in words, "local time" not in words and "never" not in words)


def test_the_time_zone_of_the_tank_is_recognised_though_it_is_no_half_hour() -> None:
    """Kathmandu is UTC+5:45 (tz database)."""
    clock = DeviceClock("reed", "ph", "ph-1", 20_700, NOON)
    view = view_with(a_tank(time_zone="Asia/Kathmandu"))
    one = the(replace(view, clocks=(clock,)), "sensor-clock")
    assert "it probably sends local time" in one.title
    assert 'time_zone = "Asia/Kathmandu"' in one.action


def test_clocks_that_are_off_by_the_same_are_one_recommendation() -> None:
    clocks = (
        DeviceClock("reed", "ph", "ph-1", 7200, NOON),
        DeviceClock("reed", "temperature", "temperature-1", 7203, NOON),
        DeviceClock("reed", "illuminance", "illuminance-1", 600, NOON),
    )
    findings = found(replace(view_with(), clocks=clocks), "sensor-clock")
    assert sorted(one.subject for one in findings) == [
        "illuminance illuminance-1", "temperature temperature-1",
    ]  # fmt: skip
