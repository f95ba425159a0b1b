"""The light of local days."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from service.derive.co2.series import co2_over
from service.derive.co2.target import Target
from service.derive.light.days import light_days_of, lit_times
from service.derive.light.now import light_now
from service.derive.light.source import LightSource, light_source, light_source_of
from service.derive.local_time import local_midnight
from service.derive.models.quality import Quality
from service.derive.tank_view import tank_view
from service.store.model import Samples
from service.times import to_us
from tests.derive.pieces import NOON, a_tank, days_of, gassed, grid, inputs_with, lamp, samples

MARCH_9 = date(2026, 3, 9)


def lux_source(now: datetime = NOON, days: int = 3, **lamp_hours: float) -> LightSource:
    time_us = grid(now - timedelta(days=days), now, 1.0)
    return light_source(a_tank(), "illuminance", samples(time_us, lamp(time_us, **lamp_hours)))


def test_photoperiod_and_dose_of_a_timer_lamp() -> None:
    (day,) = light_days_of(a_tank(), lux_source(), MARCH_9, NOON, last=MARCH_9)
    assert day.complete
    assert day.photoperiod_h == pytest.approx(8.0, abs=0.05)
    assert day.lux_hours == pytest.approx(8 * 12_000 + 16 * 10, rel=0.005)
    # DLI = PPFD * 3600 * h / 1e6 with PPFD = 12000 lx * 0.0145
    assert day.dli_mol_m2_d == pytest.approx(12_000 * 0.0145 * 3600 * 8 / 1e6, rel=0.005)
    assert day.ppfd_peak_umol_m2_s == pytest.approx(174.0)
    assert day.on_at == pytest.approx(
        datetime(2026, 3, 9, 10, tzinfo=UTC), abs=timedelta(minutes=1)
    )
    assert day.covered_share == pytest.approx(1.0, abs=0.01)


def test_ppfd_sensor_is_preferred_and_lux_hours_come_from_the_lux_sensor() -> None:
    time_us = grid(NOON - timedelta(days=3), NOON, 1.0)
    series = days_of(days=3)
    series["ppfd"] = samples(time_us, np.where(lamp(time_us) > 100, 200.0, 0.0))
    source = light_source_of(inputs_with(a_tank(), NOON, series))
    assert source.quantity == "ppfd"
    (day,) = light_days_of(a_tank(), source, MARCH_9, NOON, last=MARCH_9)
    assert day.dli_mol_m2_d == pytest.approx(200 * 3600 * 8 / 1e6, rel=0.005)
    assert day.ppfd_from == "sensor"
    assert day.lux_hours == pytest.approx(8 * 12_000 + 16 * 10, rel=0.005)
    only_ppfd = light_source(a_tank(), "ppfd", source.samples)
    (day,) = light_days_of(a_tank(), only_ppfd, MARCH_9, NOON, last=MARCH_9)
    assert day.lux_hours is None


def test_days_are_local_to_the_tank() -> None:
    """Auckland is 13 h ahead of UTC in March (IANA tz database): its noon is the day before."""
    tank = a_tank(time_zone="Pacific/Auckland")
    days = light_days_of(tank, lux_source(), date(2026, 3, 10), NOON)
    assert [day.day for day in days] == [date(2026, 3, 10), date(2026, 3, 11)]
    assert local_midnight(tank, date(2026, 3, 11)) == datetime(2026, 3, 10, 11, tzinfo=UTC)
    assert days[0].complete and not days[1].complete
    assert days[1].photoperiod_h == pytest.approx(1.0, abs=0.05)  # 11 to 12 UTC so far
    assert days[0].photoperiod_h == pytest.approx(8.0, abs=0.05)


def test_a_day_of_23_hours_when_summer_time_begins() -> None:
    tank = a_tank(time_zone="Europe/Berlin")
    start, end = (local_midnight(tank, date(2026, 3, day)) for day in (29, 30))
    assert end - start == timedelta(hours=23)


def test_today_is_told_as_far_as_it_went() -> None:
    *_, today = light_days_of(a_tank(), lux_source(), MARCH_9, NOON)
    assert not today.complete
    assert today.photoperiod_h == pytest.approx(2.0, abs=0.05)
    assert today.covered_share == pytest.approx(1.0, abs=0.01)


def test_gap_is_seen_in_the_cover() -> None:
    source = lux_source()
    hour = source.samples.time_us / 3.6e9 % 24
    kept = (hour < 12) | (hour > 16)
    parts = (
        part[kept] for part in (source.samples.time_us, source.samples.value, source.samples.flags)
    )
    (day,) = light_days_of(
        a_tank(),
        light_source(a_tank(), "illuminance", Samples(*parts)),
        MARCH_9,
        NOON,
        last=MARCH_9,
    )
    assert day.covered_share == pytest.approx(20 / 24, abs=0.01)


def test_share_of_lit_time_within_co2_target() -> None:
    """CO2 reaches 20 mg/L a known time after gas-on, so the share within follows by hand."""
    series = days_of(days=3, co2=lambda t: gassed(t, on=10.0, off=18.0))
    co2 = co2_over(a_tank(), [], series["ph"], series["temperature"], Samples.empty())
    (day,) = light_days_of(
        a_tank(), lux_source(), MARCH_9, NOON, last=MARCH_9, co2=co2, target=Target(20.0, 30.0)
    )
    hours_to_20 = -np.log(1 - 17 / 23) / 1.5  # 3 + 23 (1 - exp(-1.5 t)) = 20
    assert day.co2_within_share == pytest.approx((8 - hours_to_20) / 8, abs=0.01)


def test_degree_hours_while_lit() -> None:
    warm = samples(grid(NOON - timedelta(days=3), NOON), 24.0)
    (day,) = light_days_of(a_tank(), lux_source(), MARCH_9, NOON, last=MARCH_9, temperature=warm)
    assert day.degree_hours_lit_k_h == pytest.approx(8 * 4.0, rel=0.01)


def test_slow_samples_count_up_to_both_edges_of_the_day() -> None:
    """Hourly temperatures, and a lamp that is lit from before midnight until after the next."""
    time_us = grid(NOON - timedelta(days=3), NOON, 1.0)
    lit = (time_us >= to_us(NOON - timedelta(hours=38))) & (
        time_us < to_us(NOON - timedelta(hours=10))
    )
    source = light_source(a_tank(), "illuminance", samples(time_us, np.where(lit, 12_000.0, 10.0)))
    warm = samples(grid(NOON - timedelta(days=3), NOON, 60.0), 24.0)
    (day,) = light_days_of(a_tank(), source, MARCH_9, NOON, last=MARCH_9, temperature=warm)
    assert day.photoperiod_h == pytest.approx(24.0, abs=0.05)
    assert day.degree_hours_lit_k_h == pytest.approx(24 * 4.0, rel=0.01)


def test_own_levels_of_a_tank_win() -> None:
    time_us = grid(NOON - timedelta(days=2), NOON, 1.0)
    dim = samples(time_us, lamp(time_us, lux=400.0))
    for tank, hours in ((a_tank(thresholds={"lit_on_lux": 5000.0}), 0.0), (a_tank(), 8.0)):
        source = light_source(tank, "illuminance", dim)
        (day,) = light_days_of(tank, source, MARCH_9, NOON, last=MARCH_9)
        assert day.photoperiod_h == pytest.approx(hours, abs=0.05)


def test_light_now_and_since_when() -> None:
    inputs = inputs_with(a_tank(), NOON, days_of(days=3))
    light = light_now(inputs, light_source_of(inputs))
    assert light.lit is True
    assert light.unchanged_since == datetime(2026, 3, 10, 10, tzinfo=UTC)
    late = NOON + timedelta(hours=2)
    stale = inputs_with(a_tank(), late, days_of(NOON, days=3))
    light = light_now(stale, light_source_of(stale))
    assert light.lit is None
    assert light.quality is Quality.STALE
    assert "2 h ago" in light.reasons[0] or "120 min" in light.reasons[0]


def test_no_light_sensor_gives_no_days() -> None:
    series = days_of(days=2)
    del series["illuminance"]
    view = tank_view(inputs_with(a_tank(), NOON, series))
    assert view.light_days == ()
    assert view.light is not None and view.light.lit is None
    assert view.light.reasons == ("no light sensor has ever reported",)


def test_light_is_unknown_without_a_series_or_when_the_last_reading_is_old() -> None:
    inputs = inputs_with(a_tank(), NOON, days_of(days=3))
    source = light_source_of(inputs)
    empty = light_source(a_tank(), "", Samples.empty())
    for light in (
        light_now(inputs, empty),
        light_now(replace(inputs, latest={}), source),
        light_now(replace(inputs, now=NOON + timedelta(hours=3)), source),
    ):
        assert (light.lit, light.quality) == (None, Quality.STALE)
        assert light.reasons


def without_hours(source: Samples, first_h: float, last_h: float) -> Samples:
    """The samples but those between two hours of each day, UTC."""
    hour = source.time_us / 3.6e9 % 24
    seen = (hour < first_h) | (hour >= last_h)
    return Samples(source.time_us[seen], source.value[seen], source.flags[seen])


def test_what_was_not_seen_may_have_been_lit() -> None:
    """Nothing from 9 to 11: one hour of light and its dose were not seen."""
    seen = without_hours(lux_source().samples, 9, 11)
    source = light_source(a_tank(), "illuminance", seen)
    (day,) = light_days_of(a_tank(), source, MARCH_9, NOON, last=MARCH_9)
    assert day.photoperiod_h == pytest.approx(7.0, abs=0.05)
    assert (day.photoperiod_low_h, day.photoperiod_high_h) == pytest.approx((7, 9), abs=0.1)
    hour = 12_000 * 0.0145 * 3600 / 1e6
    assert day.dli_mol_m2_d == pytest.approx(7 * hour, rel=0.01)
    assert day.dli_high_mol_m2_d == pytest.approx(9 * hour, rel=0.02)
    assert "cover 92 % of the day" in day.reason


def test_a_day_without_readings_has_no_photoperiod() -> None:
    source = lux_source(days=4)
    kept = source.samples.time_us < to_us(local_midnight(a_tank(), MARCH_9))
    part = (source.samples.time_us, source.samples.value, source.samples.flags)
    before = light_source(a_tank(), "illuminance", Samples(*(one[kept] for one in part)))
    (day,) = light_days_of(a_tank(), before, MARCH_9, NOON, last=MARCH_9)
    assert (day.photoperiod_h, day.dli_mol_m2_d, day.lux_hours) == (None, None, None)
    assert (day.photoperiod_low_h, day.photoperiod_high_h) == (0, 24)


@pytest.mark.parametrize(("every_min", "seen"), [(30.0, True), (120.0, False)])
def test_a_slow_sensor_has_a_dose_or_the_true_reason(every_min: float, seen: bool) -> None:
    time_us = grid(NOON - timedelta(days=3), NOON, every_min)
    time_us = time_us + np.random.default_rng(3).integers(-20_000_000, 20_000_000, time_us.size)
    source = light_source(a_tank(), "illuminance", samples(time_us, lamp(time_us)))
    (day,) = light_days_of(a_tank(), source, MARCH_9, NOON, last=MARCH_9)
    if seen:
        assert day.dli_mol_m2_d == pytest.approx(12_000 * 0.0145 * 3600 * 8 / 1e6, rel=0.07)
        assert day.reason == ""
    else:
        assert day.dli_mol_m2_d is None
        assert "reads every 2 h" in day.reason


def test_since_when_it_is_lit_is_not_known_over_a_gap() -> None:
    """The lamp went on at 10, unseen: it is known to be lit since readings came again at 11."""
    series = days_of(days=3)
    series["illuminance"] = without_hours(series["illuminance"], 9, 11)
    inputs = inputs_with(a_tank(), NOON, series)
    light = light_now(inputs, light_source_of(inputs))
    assert light.lit and light.unchanged_since == datetime(2026, 3, 10, 11, tzinfo=UTC)


def test_co2_shares_come_with_how_much_of_the_light_they_rest_on() -> None:
    series = days_of(days=3, co2=lambda t: gassed(t, on=10.0, off=18.0))
    ph = without_hours(series["ph"], 12, 15)
    co2 = co2_over(a_tank(), [], ph, series["temperature"], Samples.empty())
    (day,) = light_days_of(
        a_tank(), lux_source(), MARCH_9, NOON, last=MARCH_9, co2=co2, target=Target(20.0, 30.0)
    )
    assert day.co2_known_share == pytest.approx(5 / 8, abs=0.02)


def test_a_day_whose_lights_on_was_not_seen_says_nothing_of_the_gas() -> None:
    """With nothing from 9 to 11, CO2 would seem to be there at lights-on."""
    series = days_of(days=4, co2=lambda t: gassed(t, on=10.0, off=18.0))
    whole = tank_view(inputs_with(a_tank(), NOON, series)).co2_days
    series["illuminance"] = without_hours(series["illuminance"], 9, 11)
    assert len(whole) > 2
    assert tank_view(inputs_with(a_tank(), NOON, series)).co2_days == ()


def test_co2_at_lights_on_is_not_that_of_an_hour_later() -> None:
    series = days_of(days=4, co2=lambda t: gassed(t, on=10.0, off=18.0))
    series["ph"] = without_hours(series["ph"], 9, 11)
    days = tank_view(inputs_with(a_tank(), NOON, series)).co2_days
    assert days and all(one.at_on_mg_l is None for one in days)
    assert days[-2].known_share == pytest.approx(7 / 8, abs=0.02)


def test_times_of_light_are_those_of_the_days_together() -> None:
    """A lamp over midnight, with a break that is bridged, one that is not, and a flash."""
    time_us = grid(NOON - timedelta(days=5), NOON, 1)
    lux = lamp(time_us, on=18.0, off=23.99) + lamp(time_us, on=0.0, off=2.0)
    lux[3000:3003] = lux[5000:5040] = 10.0
    lux[4000:4002] = 12_000.0
    source = light_source(a_tank(), "illuminance", samples(time_us, lux))
    first = (NOON - timedelta(days=4)).date()
    days = light_days_of(a_tank(), source, first, NOON)
    found = lit_times(a_tank(), source, first, NOON)
    assert found is not None
    at = grid(NOON - timedelta(days=5), NOON, 1)

    def lit(spans: Iterable[tuple[datetime, datetime]]) -> np.ndarray:
        return np.any([(at >= to_us(on)) & (at <= to_us(off)) for on, off in spans], axis=0)

    assert lit(found).tolist() == lit(span for day in days for span in day.lit).tolist()
    assert lit_times(a_tank(), light_source(a_tank(), "", Samples.empty()), first, NOON) is None
    assert lit_times(a_tank(), source, (NOON + timedelta(days=1)).date(), NOON) is None
