"""Rules whose edges the scenarios do not reach: quiet cases, overrides, amounts by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from service.advice.engine.catalogue import RULES, evaluate
from service.advice.engine.conflicts import reconciled
from service.advice.engine.practice import THRESHOLDS, check_thresholds
from service.advice.engine.recommendation import Finding, Severity
from service.derive.models import EstimatedValue, GasModel
from service.errors import InvalidInputError
from service.registry.models import LogKind, PlantDemand, Stock, WaterChangePlan
from service.science.water.hardness import MEQ_L_PER_DEGREE
from service.store.model import Flag, Reading, SeriesInfo, SeriesKey
from service.times import to_us
from tests.advice.cases import DAY, HOUR, amount, found, the, usual_log, view_with
from tests.derive.pieces import NOON, a_tank, days_of, entry, gassed, grid, lamp, samples

MORNING = NOON.replace(hour=8)


def test_healthy_tank_gives_no_finding_at_all() -> None:
    for hour in (0, 4, 9, 11, 15, 19, 23):
        assert evaluate(view_with(now=NOON.replace(hour=hour))) == []


def test_codes_are_unique_and_fit_into_topics() -> None:
    codes = [rule.code for rule in RULES]
    assert len(set(codes)) == len(codes) == 36
    assert all(code.replace("-", "").isalnum() and code.islower() for code in codes)
    assert all(rule.about for rule in RULES)


def test_every_threshold_has_a_source_and_can_be_set() -> None:
    for name, one in THRESHOLDS.items():
        assert one.name == name and one.text and one.unit and one.source
        assert one.low <= one.default <= one.high, name
        check_thresholds({name: one.default})


def test_wrong_thresholds_are_refused_by_name() -> None:
    with pytest.raises(InvalidInputError, match="co2_lo_lit_min is not known") as error:
        check_thresholds({"co2_lo_lit_min": 1.0, "stale_ph_min": 0.0})
    assert [fault.pointer for fault in error.value.faults] == [
        "/thresholds/co2_lo_lit_min",
        "/thresholds/stale_ph_min",
    ]
    assert "allowed: 1 to 1440 min" in error.value.detail


def test_a_threshold_of_the_tank_moves_its_rule() -> None:
    strict = a_tank(thresholds={"photoperiod_tolerance_min": 10.0})
    burns = lambda t: lamp(t, off=18.4)  # noqa: E731
    assert found(view_with(now=NOON, lux=burns), "light-long") == []
    assert found(view_with(strict, NOON, lux=burns), "light-long") != []


# -- gas ---------------------------------------------------------------------


def test_gas_late_uses_the_fitted_lead() -> None:
    """Gas at 10 with the lamp; a fitted lead of 2 h and a margin of 15 min: 2 h 15 earlier."""
    view = view_with(now=MORNING, co2=lambda t: gassed(t, on=10.0), tank=a_tank(
        photoperiod=replace(a_tank().photoperiod, gas_on=NOON.replace(hour=10).time())
    ))  # fmt: skip
    late = 60 * np.log(23 / 6) / 1.5  # 54 min, and a margin of 15: to five minutes
    assert amount(the(view, "gas-late"), "gas earlier") == 5 * round((late + 15) / 5)
    lead = GasModel(None, NOON, lead_h=EstimatedValue(2.0, 1.7, 2.4))
    one = the(replace(view, gas=lead), "gas-late")
    assert amount(one, "gas earlier") == 135.0
    assert "Set the gas to come on at 07:45" in one.action
    assert any("2.0 h (95 %: 1.7 to 2.4 h)" in each.text for each in one.evidence)


def test_gas_rules_blame_neither_a_late_lamp_nor_a_water_change() -> None:
    late_lamp = view_with(now=NOON.replace(hour=22), lux=lambda t: lamp(t, on=11.5))
    assert found(late_lamp, "gas-early") == []
    change = entry(LogKind.WATER_CHANGE, NOON.replace(hour=9), fraction=0.5)
    log = [*usual_log(), change]
    slow = lambda t: gassed(t, on=10.0)  # noqa: E731
    assert found(view_with(now=NOON.replace(hour=16), co2=slow, log=log), "gas-late") == []
    assert found(view_with(now=NOON.replace(hour=16), co2=slow), "gas-late") != []


def test_gas_at_night_needs_a_plan_that_closes_the_gas() -> None:
    always = lambda t: np.full(t.shape, 26.0)  # noqa: E731
    one = the(view_with(now=MORNING, co2=always), "gas-at-night")
    assert one.severity is Severity.WARNING
    unswitched = a_tank(photoperiod=replace(a_tank().photoperiod, gas_on=None, gas_off=None))
    assert found(view_with(unswitched, MORNING, co2=always), "gas-at-night") == []


def test_cylinder_by_hand() -> None:
    """30 g/d dissolved at half: 60 g/d; 500 g since 5 days leave 200 g, 3.3 days."""
    gas = GasModel(None, NOON, gas_g_per_day=EstimatedValue(30.0, 25.0, 36.0))
    tank = a_tank(equipment={"cylinder_g": 500, "cylinder_filled": "2026-03-05"})
    view = replace(view_with(tank), gas=gas)
    one = the(view, "cylinder-low")
    assert amount(one, "gas left") == pytest.approx(200.0)
    assert one.due is not None and one.due.date() == date(2026, 3, 13)
    log = [*usual_log(), entry(LogKind.OBSERVATION, NOON - DAY, cylinder_g=2000)]
    assert found(replace(view_with(tank, log=log), gas=gas), "cylinder-low") == []
    assert found(view_with(tank), "cylinder-low") == []  # no fit, no reckoning


# -- light -------------------------------------------------------------------


def test_light_dose_by_hand() -> None:
    """12,000 lx x 0.0145 for 8 h are 5.01 mol/m²/d; the plants want 3: to 60 %."""
    tank = a_tank(plants=PlantDemand(20, 30, 1.5, 3.0))
    one = the(view_with(tank, NOON), "light-dose")
    assert one.severity is Severity.ADVICE
    assert amount(one, "light to change by") == pytest.approx(100 * (3 / 5.011 - 1), abs=0.5)
    assert "Dim the lamp to 60 %" in one.action
    weak = a_tank(plants=PlantDemand(20, 30, 8.0, 12.0))
    little = the(view_with(weak, NOON), "light-dose")
    assert little.severity is Severity.INFO
    assert "1.6 times as much" in little.action


def test_light_dead_keeps_quiet_for_a_timer_set_otherwise() -> None:
    """The lamp has gone off at 15 for days: that is short, not dead."""
    early = lambda t: lamp(t, off=15.0)  # noqa: E731
    view = view_with(now=NOON.replace(hour=16), lux=early)
    assert found(view, "light-dead") == []
    assert amount(the(view, "light-short"), "light missing") == pytest.approx(180, abs=3)


def test_light_dead_holds_through_the_night() -> None:
    def died(t: np.ndarray) -> np.ndarray:
        return np.where(t > grid(NOON, NOON)[0], 10.0, lamp(t))

    for hours in (1, 5, 9, 15, 21, 24):
        view = view_with(now=NOON + hours * HOUR, lux=died)
        (one,) = found(view, "light-dead")
        assert one.since is not None and abs(one.since - NOON) < timedelta(minutes=2)


def test_settling_after_a_set_up_and_no_short_light_meanwhile() -> None:
    new = a_tank(set_up=date(2026, 3, 1))
    one = the(view_with(new), "light-settling")
    assert amount(one, "shorter by") == pytest.approx(120, abs=3)
    assert "until 22 Mar" in one.action
    assert one.due is not None and one.since is not None
    assert one.due - one.since == timedelta(days=1), "to be set now, not when the weeks are over"
    six = view_with(new, lux=lambda t: lamp(t, off=16.0))
    assert found(six, "light-settling") == []
    assert found(six, "light-short") == []


# -- heat --------------------------------------------------------------------


def test_oxygen_measured() -> None:
    view = view_with()
    for oxygen, severity in ((4.5, Severity.WARNING), (2.5, Severity.URGENT)):
        reading = Reading("reed", "dissolved_oxygen", "o2", to_us(NOON), oxygen)
        one = the(replace(view, latest={**view.latest, "dissolved_oxygen": reading}), "oxygen-low")
        assert one.severity is severity
    good = Reading("reed", "dissolved_oxygen", "o2", to_us(NOON), 7.5)
    assert found(replace(view, latest={"dissolved_oxygen": good}), "oxygen-low") == []


def test_oxygen_by_temperature_and_altitude() -> None:
    """Benson & Krause: 30 °C holds 7.56 mg/L at the sea, 25 °C at 1500 m about 6.9."""
    warm = the(view_with(celsius=30.0), "oxygen-low")
    assert amount(warm, "oxygen at saturation") == pytest.approx(7.56, abs=0.01)
    high = the(view_with(a_tank(altitude_m=1500.0), celsius=25.0), "oxygen-low")
    assert amount(high, "oxygen at saturation") == pytest.approx(6.9, abs=0.05)
    assert found(view_with(a_tank(livestock=()), celsius=30.0), "oxygen-low") == []


def test_cool_fish_far_above_their_limit_are_not_asked_to_be_heated() -> None:
    cool = (Stock("Tanichthys albonubes", 12, temperature_low_c=14.0, temperature_high_c=25.0),)
    tank = a_tank(heated=False, livestock=cool)
    falling = lambda t: 22.0 - (t - grid(NOON, NOON)[0] + 8 * 8.64e10) / 8.64e10 * 0.4  # noqa: E731
    assert found(view_with(tank, celsius=falling), "temperature-cooling") == []
    near = tuple(replace(one, temperature_low_c=18.2) for one in cool)
    one = the(view_with(replace(tank, livestock=near), celsius=falling), "temperature-cooling")
    assert "no heater is needed" in one.action


def test_fast_change_blames_the_water_change_that_was_just_logged() -> None:
    def plunge(t: np.ndarray) -> np.ndarray:
        hours = (t - grid(NOON, NOON)[0]) / 3.6e9
        return np.where(hours > -1, 24.0 + 1.8 * (hours + 1) * -1, 24.0)

    log = [*usual_log(), entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)]
    plain = the(view_with(celsius=plunge), "temperature-fast")
    assert amount(plain, "rate") == pytest.approx(-1.8, abs=0.1)
    assert "heater is on" in plain.action
    assert (
        "match the new water" in the(view_with(celsius=plunge, log=log), "temperature-fast").action
    )


# -- water -------------------------------------------------------------------


def due_view(plan: WaterChangePlan, *more):  # type: ignore[no-untyped-def]
    log = [one for one in usual_log() if one.kind is not LogKind.WATER_CHANGE]
    log += [entry(LogKind.WATER_CHANGE, NOON - 8 * DAY, fraction=0.5), *more]
    return the(view_with(a_tank(water_change=plan), log=log), "water-change-due")


def test_tap_and_reverse_osmosis_by_hand() -> None:
    """Tap 12 dKH and 16 dGH towards 4 dKH and 8 dGH: KH binds at a third, GH would allow half."""
    degree = MEQ_L_PER_DEGREE
    plan = WaterChangePlan(
        tap_alkalinity_meq_l=12 * degree, tap_gh_meq_l=16 * degree,
        target_alkalinity_meq_l=4 * degree, target_gh_meq_l=8 * degree,
    )  # fmt: skip
    one = due_view(plan)
    assert amount(one, "tap water") == pytest.approx(30.0)
    assert amount(one, "reverse-osmosis water") == pytest.approx(60.0)
    soft = due_view(replace(plan, tap_alkalinity_meq_l=2 * degree, tap_gh_meq_l=8 * degree))
    assert amount(soft, "tap water") == pytest.approx(90.0)
    # +2 dKH in 90 L: 3.571 g KHCO3 per dKH and 100 L
    assert amount(soft, "KHCO3") == pytest.approx(2 * 0.9 * 3.571, rel=2e-3)


def test_old_water_for_plants_and_when_not() -> None:
    one = due_view(WaterChangePlan())
    assert "The old 90 L are fit for house plants and the garden; not for drinking" in one.action
    assert amount(one, "old water for plants") == 90.0
    salted = due_view(
        WaterChangePlan(), entry(LogKind.OBSERVATION, NOON - 5 * DAY, salt_added=True)
    )
    assert "not for plants: salt was added" in salted.action
    remedy = due_view(WaterChangePlan(), entry(LogKind.OBSERVATION, NOON - 5 * DAY, medicated=True))
    assert "not for plants: a remedy was added" in remedy.action


# -- nutrients and upkeep ----------------------------------------------------


def test_too_much_by_hand() -> None:
    """54 ml instead of 18: 36 too much; two thirds of the water take it out."""
    log = [*usual_log(), entry(LogKind.DOSE, NOON - DAY, name="macro", ml=36.0)]
    one = the(view_with(log=log), "dose-doubled")
    assert amount(one, "too much") == pytest.approx(36.0)
    assert amount(one, "water that takes it out") == pytest.approx(180 * 2 / 3)


def test_upkeep_intervals_and_what_closes_them() -> None:
    view = view_with(a_tank(thresholds={"filter_days": 9.0, "prefilter_days": 4.0}))
    assert found(view, "filter-due")[0].closed_by == ("filter-clean",)
    assert len(found(view, "prefilter-due")) == 1
    log = [*usual_log(), entry(LogKind.FILTER_CLEAN, NOON - DAY)]
    both = view_with(a_tank(thresholds={"filter_days": 9.0, "prefilter_days": 4.0}), log=log)
    assert found(both, "filter-due") == [] and found(both, "prefilter-due") == []


def test_kh_reminder_gives_way_to_doubt() -> None:
    def with_test(days: float):  # type: ignore[no-untyped-def]
        log = [one for one in usual_log() if one.kind is not LogKind.KH_TEST]
        return view_with(
            log=[*log, entry(LogKind.KH_TEST, NOON - days * DAY, alkalinity_meq_l=1.4)]
        )

    for days, due, doubt in ((20, 0, 0), (35, 1, 0), (50, 0, 1)):
        view = with_test(days)
        assert len(found(view, "kh-test-due")) == due
        assert len(found(view, "co2-doubtful")) == doubt


def test_what_nobody_ever_noted_is_asked_for() -> None:
    log = [one for one in usual_log() if one.kind not in (LogKind.KH_TEST, LogKind.CALIBRATION)]
    unnoted = view_with(a_tank(alkalinity_tested=None), log=log)
    for code, closes in (("kh-test-due", "kh-test"), ("calibration-due", "calibration")):
        one = the(unnoted, code)
        assert (one.severity, one.due, one.closed_by) == (Severity.INFO, None, (closes,))
        assert "If it was done, log it." in one.action
    tested = view_with(a_tank(alkalinity_tested=NOON.date()), log=log)
    assert found(tested, "kh-test-due") == []
    assert found(view_with(log=usual_log()), "calibration-due") == []


# -- sensors -----------------------------------------------------------------


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
    assert "Another sensor of the tank still tells it" in one.action
    old = with_sensor(view_with(), "temperature", "spare", 24.0, 20 * 1440)
    assert found(old, "sensor-silent") == []


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


def test_contradiction_of_the_animals_is_told_instead_of_a_range() -> None:
    odd = (
        Stock("Tanichthys albonubes", 5, temperature_low_c=14.0, temperature_high_c=22.0),
        Stock("Symphysodon discus", 2, temperature_low_c=27.0, temperature_high_c=31.0),
    )
    one = the(view_with(a_tank(livestock=odd)), "no-advice")
    assert one.subject == "temperature"
    assert "No temperature suits all" in one.action


# -- reconciliation ----------------------------------------------------------


def finding(code: str, severity: Severity, *moves: str) -> Finding:
    return Finding(code, severity, code, code, (), moves=moves)


def test_of_two_that_contradict_the_graver_stays_then_the_safer() -> None:
    advice, warning = Severity.ADVICE, Severity.WARNING
    up, down = finding("up", warning, "co2:raise"), finding("down", advice, "co2:lower")
    assert reconciled([down, up]) == [up]
    down = finding("down", warning, "co2:lower")
    assert reconciled([up, down]) == [down]
    other = finding("other", advice, "light:raise")
    assert reconciled([up, other, down]) == [other, down]
    assert (
        reconciled([finding("a", advice, "gas:earlier"), finding("b", advice, "co2:lower")]) != []
    )


def test_noise_close_below_the_ceiling_is_no_alarm_and_keeps_one_that_stands() -> None:
    """CO2 of 28.8 mg/L under a ceiling of 30, pH scattered by 0.01 (2.3 %): 20 looks."""
    rng = np.random.default_rng(4)
    base = days_of(NOON, co2=lambda t: gassed(t, high=28.8))
    burst = (base["ph"].time_us > to_us(NOON) - 9e8) * -0.02  # the last quarter of an hour
    for _ in range(20):
        noisy = base["ph"].value + rng.normal(0, 0.01, len(base["ph"]))
        view = view_with(series={**base, "ph": samples(base["ph"].time_us, noisy)})
        assert found(view, "co2-high") == []
        risen = view_with(
            series={**base, "ph": samples(base["ph"].time_us, base["ph"].value + burst)}
        )
        assert found(risen, "co2-high") == []
        assert found(risen, "co2-high", frozenset({("co2-high", "")})) != []
