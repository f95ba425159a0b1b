"""Retention of the SQLite store: by hand, and by the running service, in one process."""

from __future__ import annotations

import threading
from datetime import timedelta

import pytest

from service.clock import FixedClock
from service.config.values import StoreConfig
from service.errors import InvalidInputError, StoreUnavailableError
from service.store import Extent, pruning
from service.store.retention import Pruned, RetentionPolicy
from service.store.sqlite import prune
from service.times import to_us
from tests.another_process import AnotherProcess
from tests.servers import wait_until
from tests.store.month import (
    DAY,
    HOUR,
    KEY,
    LEVELS,
    MINUTE,
    NOW,
    START,
    all_of,
    reading,
    same,
)


@pytest.fixture
def store(month):
    return month


def test_raw_readings_go_by_age_and_rollups_stay(store):
    before = {level: all_of(store, level) for level in LEVELS}
    pruned = store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    assert pruned == Pruned(raw=19 * 144, minute=0, hour=0, day=0)
    kept = store.read(KEY, 0, to_us(NOW))
    assert kept.time_us[0] == START + 19 * DAY
    assert len(kept) == 10 * 144 + 92
    last = START + 29 * DAY + 91 * 10 * MINUTE
    assert store.extent(KEY) == Extent(10 * 144 + 92, START + 19 * DAY, last)
    assert all(same(all_of(store, level), before[level]) for level in LEVELS)
    assert store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW) == Pruned(0, 0, 0, 0)


def test_each_rollup_goes_by_its_own_age(store):
    policy = RetentionPolicy(
        raw=timedelta(days=2), minute=timedelta(days=5), hour=timedelta(days=10)
    )
    pruned = store.prune(policy, NOW)
    assert pruned == Pruned(raw=27 * 144, minute=24 * 144, hour=19 * 24, day=0)
    assert all_of(store, MINUTE).start_us[0] == START + 24 * DAY
    assert all_of(store, HOUR).start_us[0] == START + 19 * DAY
    assert all_of(store, DAY).start_us[0] == START
    assert all_of(store, DAY).count.sum() == 29 * 144 + 92


def test_late_reading_past_retention_is_left_out_counted_and_harms_no_rollup(store, caplog):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    before = all_of(store, DAY)
    store.write([reading(START + 3 * DAY + 1, 99.0), reading(to_us(NOW), 24.4)])
    assert store.health().numbers["left_out_past_retention"] == 1
    assert "1 readings older than the retention were left out" in caplog.text
    assert store.latest(KEY).value == 24.4
    after = all_of(store, DAY)
    assert after.count[3] == before.count[3] == 144
    assert after.count[-1] == before.count[-1] + 1


def test_rewrite_at_the_edge_of_retention_keeps_rollups_right(store):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    edge = START + 19 * DAY
    store.write([reading(edge, 30.0)])
    day = store.aggregate(KEY, edge, edge + DAY, DAY)
    assert (day.count.tolist(), day.max.tolist(), day.first.tolist()) == ([144], [30.0], [30.0])


def test_a_looser_policy_brings_nothing_back_and_refuses_no_write(store):
    store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW)
    assert store.prune(RetentionPolicy(), NOW) == Pruned(0, 0, 0, 0)
    store.write([reading(START + 3 * DAY + 1, 99.0)])
    assert store.health().numbers["left_out_past_retention"] == 1


def test_series_that_ended_long_ago_is_pruned_to_nothing(store):
    later = NOW + timedelta(days=400)
    store.prune(RetentionPolicy(raw=timedelta(days=30)), later)
    assert store.series() == []
    assert store.latest(KEY) is None
    assert all_of(store, DAY).count.sum() == 29 * 144 + 92


def test_pruning_takes_small_steps(store, monkeypatch):
    monkeypatch.setattr(prune, "PRUNE_STEP", 100)
    assert store.prune(RetentionPolicy(raw=timedelta(days=10)), NOW).raw == 19 * 144


@pytest.mark.parametrize(
    ("ages", "message"),
    [
        ({"raw": 0.5}, "retention.raw is '0.5 days'; allowed: at least one day, or for ever"),
        ({"raw": 9, "minute": 5}, "retention.minute is '5 days'; allowed: at least raw's 9 days"),
        ({"raw": 9, "hour": 5}, "retention.hour is '5 days'; allowed: at least for ever"),
    ],
)
def test_no_level_may_be_shorter_than_the_finer_one(ages, message):
    with pytest.raises(InvalidInputError, match=message):
        RetentionPolicy(**{name: timedelta(days=days) for name, days in ages.items()})


TEN_DAYS = RetentionPolicy.of_config(StoreConfig(keep_raw_days=10))


def test_the_configuration_sets_the_ages():
    config = StoreConfig(keep_raw_days=400, keep_minute_days=800, keep_day_days=None)
    policy = RetentionPolicy.of_config(config)
    assert policy == RetentionPolicy(raw=timedelta(days=400), minute=timedelta(days=800))
    assert not policy.keeps_all
    assert RetentionPolicy.of_config(StoreConfig()).keeps_all


def test_pruned_readings_leave_every_series_of_whole_minutes_as_it_was(store):
    """What is asked of a tank's past after its readings are gone: the same, from rollups."""
    asked = [5 * MINUTE, HOUR, 6 * HOUR, DAY]
    before = {every: all_of(store, every) for every in asked}
    store.prune(TEN_DAYS, NOW)
    assert len(store.read(KEY, START, START + 19 * DAY)) == 0
    assert all(same(all_of(store, every), before[every]) for every in asked)


def test_of_several_processes_one_prunes_and_each_day_anew(store, tmp_path):
    other = AnotherProcess(
        "from tests.store.test_retention import *\nfrom service.store import open_store\n"
        "store = open_store(sys.argv[1])\n",
        f"sqlite:///{tmp_path}/readings.db",
    )
    assert store.claim_pruning(TEN_DAYS, NOW)
    other.does("assert not store.claim_pruning(TEN_DAYS, NOW)")
    assert not store.claim_pruning(TEN_DAYS, NOW)
    assert not store.claim_pruning(TEN_DAYS, NOW + timedelta(hours=8))
    other.does("assert store.claim_pruning(TEN_DAYS, NOW + timedelta(hours=9))")
    assert not store.claim_pruning(TEN_DAYS, NOW + timedelta(hours=9))
    # Other ages, such as after a change of the configuration, are due at once.
    assert store.claim_pruning(RetentionPolicy(raw=timedelta(days=5)), NOW)
    assert not store.claim_pruning(RetentionPolicy(), NOW + timedelta(days=900))
    other.end()


@pytest.fixture
def daily(store):
    """Start ``prune_daily`` in a thread, as the service does; ended after the test."""
    stop, threads = threading.Event(), []

    def start(policy=TEN_DAYS, moment=NOW):
        given = (store, policy, FixedClock(moment), stop)
        threads.append(threading.Thread(target=pruning.prune_daily, args=given))
        threads[-1].start()

    yield start
    stop.set()
    for thread in threads:
        thread.join(60)
        assert not thread.is_alive()


def test_the_service_prunes_at_its_start(store, daily):
    before = all_of(store, HOUR)
    daily()
    wait_until(lambda: store.extent(KEY).count == 10 * 144 + 92)
    assert same(all_of(store, HOUR), before)


def test_what_goes_wrong_is_told_and_done_later(store, daily, monkeypatch, caplog):
    monkeypatch.setattr(pruning, "CHECK_EVERY_S", 0.05)
    whole, failures = prune.delete, [StoreUnavailableError("the disk is full")]

    def delete(*given):
        if failures:
            raise failures.pop()
        return whole(*given)

    monkeypatch.setattr(prune, "delete", delete)
    daily()
    wait_until(lambda: store.extent(KEY).count == 10 * 144 + 92)
    assert "not all was deleted, will try again: the disk is full" in caplog.text


@pytest.mark.slow
def test_stopping_does_not_wait_for_a_long_pruning(store, daily, monkeypatch):
    monkeypatch.setattr(prune, "PRUNE_STEP", 10)
    monkeypatch.setattr(pruning, "REST_S", 1.0)
    daily()
    wait_until(lambda: store.extent(KEY).count < 29 * 144 + 92)
    # The fixture ends it; at the next start the next day, the rest goes.


def test_readings_are_written_while_old_ones_are_deleted(store, monkeypatch):
    monkeypatch.setattr(prune, "PRUNE_STEP", 100)
    written = []

    def rest():
        written.append(reading(to_us(NOW) + len(written), 24.0))
        store.write(written[-1:])
        return True

    pruned = store.prune(
        RetentionPolicy(raw=timedelta(days=10), minute=timedelta(days=10)), NOW, rest=rest
    )
    assert pruned == Pruned(raw=19 * 144, minute=19 * 144, hour=0, day=0)
    # Both go in whole hours, six of them each: at most 96 in a step of 100.
    assert len(written) == 2 * -(-19 * 144 // 96)
    assert store.extent(KEY).count == 10 * 144 + 92 + len(written)


def test_an_interrupted_pruning_is_finished_by_the_next(store, monkeypatch):
    monkeypatch.setattr(prune, "PRUNE_STEP", 100)
    left = iter([True, True, False])
    first = store.prune(TEN_DAYS, NOW, rest=lambda: next(left))
    assert first.raw == 3 * 96  # whole hours of six readings
    # What is still there but too old is in no way harmful: a late reading of that time is left out.
    store.write([reading(START + 3 * DAY + 1, 99.0)])
    assert store.health().numbers["left_out_past_retention"] == 1
    assert store.prune(TEN_DAYS, NOW).raw == 19 * 144 - 3 * 96
