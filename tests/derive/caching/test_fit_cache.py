"""The gas exchange of a tank is fitted once a day, within a budget, and again after a rewrite."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import count

import pytest

from service.derive.caching import view_cache as module
from service.derive.caching.view_cache import ViewCache
from service.derive.co2 import value_cache
from service.derive.co2.series import Co2Basis, Water, co2_of
from service.derive.models.co2 import Array
from service.derive.models.gas_exchange import GasModel
from service.registry.models.log import LogKind
from service.registry.models.tank import Tank
from service.registry.registry import Registry
from service.store.model import Reading, SeriesInfo
from service.store.sqlite.store import SqliteStore
from service.times import to_us
from tests.derive.caching.reed import HOUR, Counting, shifted
from tests.derive.pieces import KH_4, NOON, a_tank, days_of, gassed


def fitted(views: ViewCache, now: datetime, tank: Tank | None = None) -> GasModel:
    """The gas exchange in the view at a moment."""
    views.begin()
    found = views.view(tank or a_tank(), now).gas
    assert found is not None
    return found


def test_the_gas_exchange_is_fitted_once_a_day(views: ViewCache) -> None:
    first = fitted(views, NOON)
    assert first.fit is not None and first.fitted == NOON
    for hours in (0.02, 5, 23.9):
        assert fitted(views, NOON + hours * HOUR) is first
    assert fitted(views, NOON + 24 * HOUR).fitted == NOON + 24 * HOUR


def test_no_fit_without_a_budget(views: ViewCache) -> None:
    assert views.view(a_tank(), NOON).gas is None


def test_only_what_fits_take_counts_against_their_budget(
    views: ViewCache, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last of many tanks is fitted too, however long the views of the others take."""
    ticks = count(step=1000)  # seconds at each look at the machine's clock
    monkeypatch.setattr(module.time, "monotonic", lambda: float(next(ticks)))
    views.begin()
    module.time.monotonic()  # the other tanks take long
    assert views.view(a_tank(), NOON).gas is not None


def test_fits_end_with_their_budget(
    views: ViewCache, registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    ticks = count(step=module.BUDGET_S)
    monkeypatch.setattr(module.time, "monotonic", lambda: float(next(ticks)))
    views.begin()
    assert views.view(a_tank(), NOON).gas is not None
    registry.put_tank(a_tank(id="moss"))
    assert views.view(a_tank(id="moss"), NOON).gas is None


def test_the_gas_exchange_is_fitted_again_after_a_rewrite(
    views: ViewCache, store: Counting
) -> None:
    """Readings of CO2 taken twice too high give twice the injection.

    One exchange by day and night, so that no fit has to choose which of the two to believe.
    """
    one_rate = days_of(NOON + 24 * HOUR, days=14, co2=lambda t: gassed(t, rise_per_h=0.5))["ph"]
    pairs = zip(one_rate.time_us.tolist(), one_rate.value.tolist(), strict=True)
    store.write([Reading("reed", "ph", "s", at, value) for at, value in pairs])
    store.write(shifted(store, "ph", NOON - 230 * HOUR, -0.3))
    wrong = fitted(views, NOON)
    later = NOON + timedelta(minutes=1)
    assert fitted(views, later) is wrong
    store.write(shifted(store, "ph", NOON - 230 * HOUR, 0.3, until=NOON + HOUR))
    right = fitted(views, later)
    assert right.fitted == later
    assert wrong.fit is not None and right.fit is not None
    assert wrong.fit.injection_mg_l_h is not None and right.fit.injection_mg_l_h is not None
    ratio = wrong.fit.injection_mg_l_h.value / right.fit.injection_mg_l_h.value
    assert ratio == pytest.approx(10**0.3, rel=0.1)


def test_a_log_entry_has_the_gas_exchange_fitted_again(
    views: ViewCache, registry: Registry
) -> None:
    fitted(views, NOON)
    registry.add_log("reed", LogKind.KH_TEST, NOON - 200 * HOUR, {"kh_meq_l": KH_4 / 2})
    later = NOON + timedelta(minutes=1)
    assert fitted(views, later).fitted == later


def test_a_fit_that_failed_is_tried_again_at_once_with_older_readings(
    views: ViewCache, store: Counting
) -> None:
    older = shifted(store, "ph", NOON - 230 * HOUR, 0.0)
    store.delete_tank("reed")
    store.write([one for one in older if one.time_us > to_us(NOON - HOUR)])
    failed = fitted(views, NOON)
    assert failed.fit is None and "too few" in failed.reason
    later = NOON + timedelta(minutes=1)
    assert fitted(views, later) is failed
    store.write(older)
    assert fitted(views, later).fit is not None


def test_a_fit_that_failed_is_tried_again_within_hours(views: ViewCache, store: Counting) -> None:
    store.delete_tank("reed")
    store.write([Reading("reed", "ph", "s", to_us(NOON), 6.8)])
    failed = fitted(views, NOON)
    assert failed.fit is None
    assert fitted(views, NOON + timedelta(minutes=59)) is failed
    assert fitted(views, NOON + HOUR).fitted == NOON + HOUR


def test_a_forgotten_tank_begins_anew(views: ViewCache) -> None:
    first = fitted(views, NOON)
    views.forget("reed")
    again = fitted(views, NOON)
    assert again is not first and again.lead_h == first.lead_h


def test_a_fit_shares_what_was_computed_and_asked_with_the_view(
    store: Counting, registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    """CO2 at each mean is computed once for fit, drift and view; the series are listed once."""
    computed: list[int] = []
    asked: list[str | None] = []

    def counted(water: Water, basis: Co2Basis) -> tuple[Array, Array, Array]:
        computed.append(len(water.time_us))
        return co2_of(water, basis)

    def listed(tank: str | None = None) -> list[SeriesInfo]:
        asked.append(tank)
        return SqliteStore.series(store, tank)

    monkeypatch.setattr(value_cache, "co2_of", counted)
    monkeypatch.setattr(store, "series", listed)
    view = ViewCache(registry, store)
    assert fitted(view, NOON).fit is not None
    means = 13 * 24 * 12  # of the days in the store, all of which the drift is found from
    assert means <= sum(computed) <= means + 10
    assert len(asked) == 1
