"""Who evaluates which tanks: equal parts, few moves, and every lease in one hand at most."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.registry.models.partitions import LEASES, PARTITIONS, moves, partition_of

MEMBERS = st.lists(st.sampled_from([f"s{n}" for n in range(9)]), min_size=1, unique=True)
HOLDERS = st.dictionaries(
    st.sampled_from(LEASES), st.sampled_from(["", "gone", *(f"s{n}" for n in range(9))])
)


def settled(live: list[str], holders: dict[str, str], order: random.Random) -> int:
    """Let all move in any order until nobody has anything to move; returns how many leases moved.

    A lease is taken only while it is free: the registry's transaction sees to that.
    """
    moved = 0
    for _ in range(50):
        quiet = True
        for one in order.sample(live, len(live)):
            wanted = moves(one, live, holders)
            assert not (wanted.take and wanted.give)
            for name in wanted.take:
                assert holders.get(name, "") not in live
                holders[name] = one
            for name in wanted.give:
                assert holders[name] == one
                holders[name] = ""
            moved += len(wanted.take)
            quiet = quiet and not wanted.take and not wanted.give
        if quiet:
            return moved
    raise AssertionError("they move leases to and fro")


@settings(max_examples=150, deadline=None)
@given(MEMBERS, HOLDERS, st.integers())
def test_each_ends_with_an_equal_part(live, holders, seed):
    settled(live, holders, random.Random(seed))
    counts = Counter(holders[name] for name in LEASES)
    assert set(counts) <= set(live)
    assert sum(counts.values()) == len(LEASES)
    assert max(counts.values()) - min(counts[one] for one in live) <= 1


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 8), st.integers())
def test_a_newcomer_moves_its_own_part_alone_and_so_does_one_that_goes(count, seed):
    order = random.Random(seed)
    live, holders = [f"s{n}" for n in range(count)], dict[str, str]()
    settled(live, holders, order)
    grown = [*live, "s8"]
    assert settled(grown, holders, order) <= -(-len(LEASES) // len(grown))
    gone = order.choice(grown)
    left = [one for one in grown if one != gone]
    had = sum(holder == gone for holder in holders.values())
    assert settled(left, holders, order) == had


def test_tanks_spread_over_all_partitions():
    """Uniform hashing: the fullest of 64 bins of 10,000 balls holds about 191.

    m/n + sqrt(2 (m/n) ln n) with m = 10,000 and n = 64 (Raab and Steger, "Balls into Bins", 1998);
    a tenth more is allowed.
    """
    counts = Counter(partition_of(f"tank-{number}") for number in range(10_000))
    assert set(counts) == set(LEASES[:PARTITIONS])
    assert max(counts.values()) <= 1.1 * 191.8


@pytest.mark.parametrize(("tank", "lease"), [("reed", "tanks-42"), ("riffle", "tanks-40")])
def test_the_partition_of_a_tank_never_changes(tank, lease):
    assert partition_of(tank) == lease
