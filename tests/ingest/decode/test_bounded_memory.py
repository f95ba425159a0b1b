"""What strangers name, topics, units and retained payloads, fills no cache beyond its bound."""

from __future__ import annotations

import itertools
import tracemalloc
from collections.abc import Callable

import pytest

from ingest.decode import routes
from ingest.decode.decoder import Decoder
from ingest.decode.message import Message, PayloadError
from ingest.decode.routes import LONGEST_CACHED, Router
from ingest.decode.units import conversion_to
from service import units
from service.errors import UnknownUnitError
from service.units import FORGET_AFTER, convert

NOW = 1_700_000_000_000_000


def kept_mb(work: Callable[[], None]) -> float:
    """Memory that Python still holds after some work, MB."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[0] / 1e6
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize(
    "topic",
    [
        "littoral/tank-{n}/ph/" + "s" * 60,
        "littoral/tank-{n}/" + "x/" * 200,
        "littoral/tank-{n}/ph/µ" + "s" * 400,
        "elsewhere/{n}",
    ],
    ids=["usual", "many levels", "not ASCII", "not ours"],
)
def test_the_estimate_of_the_cache_of_topics_holds(
    monkeypatch: pytest.MonkeyPatch, topic: str
) -> None:
    monkeypatch.setattr(routes, "CACHE_BYTES", 2_000_000)
    router = Router("littoral")

    def work() -> None:
        for n in range(5_000):
            router.targets(topic.format(n=n))

    assert kept_mb(work) < 2.5


def test_long_topics_are_not_remembered() -> None:
    router = Router("littoral")

    def work() -> None:
        for n in range(300):
            router.targets(f"littoral/tank-{n}/ph/" + "x" * 65_000)

    assert kept_mb(work) < 1.0
    assert all(len(topic) <= LONGEST_CACHED for topic in router._cache)


def test_retained_messages_are_remembered_by_their_digests() -> None:
    decoder = Decoder(Router("littoral"), {"reed"}, lambda message: None)

    def retained(n: int) -> Message:
        return Message(f"littoral/reed/ph/{'x' * 60_000}{n}", b"7" * 5_000, NOW, retain=True)

    def work() -> None:
        for n in range(300):
            assert list(decoder.decode([retained(n)]))

    assert kept_mb(work) < 1.0
    assert list(decoder.decode([retained(3)])) == []  # the same came before


def test_a_unit_among_blanks_is_remembered_without_them() -> None:
    def work() -> None:
        for n in range(300):
            conversion_to("temperature", " " * (100_000 + n) + "degF")
            convert(1.0, " " * (100_000 + n) + "degF", "Cel")

    conversion_to("temperature", "degF")
    assert kept_mb(work) < 1.0


def test_pint_does_not_remember_every_unit_that_anybody_names() -> None:
    words = ["mm", "cm", "km", "mg", "kg", "mol", "mL", "mA", "cd", "Hz", "Pa", "kJ", "kW"]
    names = ("*".join(one) for one in itertools.permutations(words, 4))
    most = 0
    for name in itertools.islice(names, 3 * FORGET_AFTER):
        with pytest.raises(PayloadError):
            conversion_to("temperature", name)
        cache = units._registry()._cache
        most = max(most, len(cache.parse_unit), len(cache.dimensionality))
    assert most < 5 * FORGET_AFTER
    assert len(units._registry()._cache.parse_unit) <= 2 * FORGET_AFTER
    assert convert(77.0, "degF", "Cel") == pytest.approx(25.0)
    assert convert(1.0, "km", "m") == pytest.approx(1000.0)
    with pytest.raises(UnknownUnitError):
        convert(1.0, "km", "kg")
