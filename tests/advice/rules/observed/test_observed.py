"""Rules on what people saw: each fires, stays quiet and clears; old observations don't count."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.advice import cautions
from service.advice.engine.catalogue import evaluate
from service.advice.engine.recommendation import Finding, Severity
from service.advice.engine.work import Who
from service.advice.reason_words import reason_words
from service.derive.models.tank_view import TankView
from service.registry.models.log import LogEntry, LogKind
from service.registry.models.plans import DosePlan, GasPlan, LightPlan, PlantTargets
from service.registry.models.tank import Stock, Tank
from tests.advice.cases import DAY, HOUR, found, the, usual_log, view_with
from tests.advice.reading_level import check_easy_to_read
from tests.derive.pieces import NOON, a_tank, entry, gassed

WEEK = 7 * DAY
FISH, SHRIMPS = Stock("Paracheirodon innesi", 20), Stock("Neocaridina davidi", 30)


def saw(code: str, level: int, ago: timedelta = HOUR, by: str = "") -> LogEntry:
    """An observation on a scale."""
    at = NOON - ago
    data = {"kind": code, "level": level}
    return LogEntry(f"{code}-{at:%d%H%M}", "reed", LogKind.OBSERVATION, at, data, by=by)


def seen(*observations: LogEntry, tank: Tank | None = None, more: Sequence[LogEntry] = (),
         **of_days: object) -> TankView:  # fmt: skip
    """A view of a well-kept tank with observations in its log."""
    log = sorted((*observations, *more, *usual_log()), key=lambda one: one.time, reverse=True)
    return view_with(tank, log=log, **of_days)  # type: ignore[arg-type]


def easy(one: Finding) -> Finding:
    """The same, after its words were found to be easy."""
    check_easy_to_read([f"{one.title}. {one.action} {one.keeper_action}".strip(), *one.cautions])
    return one


def test_reasons_tell_levels_as_levels() -> None:
    tank = a_tank(animals=(FISH,))
    one = the(seen(saw("surface-breathing", 4, by="Ada"), tank=tank), "animals-gasping")
    assert [reason_words(each) for each in one.evidence] == [
        "Breathing at the surface 4: most animals stay at the surface; advised from 2"
    ]
    rises = (saw("threads", 3), saw("threads", 1, WEEK))
    algae = the(seen(*rises, tank=long_light(), lux=lit(10)), "algae-light")
    assert [reason_words(each) for each in algae.evidence][1:] == [
        "Thread algae rose from 1 to 3: threads as long as a finger in several places"
    ]


def wavering(t: np.ndarray) -> np.ndarray:
    """CO2 that is half as high on every other day."""
    return gassed(t) * np.where(t // 86_400_000_000 % 2 == 0, 1.0, 0.55)


TUFTS = (saw("tufts", 3), saw("tufts", 1, 2 * WEEK))


def test_tufts_that_rise_with_unsteady_co2_ask_for_steady_co2_first() -> None:
    alone = the(seen(co2=wavering), "co2-unsteady")
    assert (alone.severity, alone.refuses) == (Severity.INFO, ())
    both = easy(the(seen(*TUFTS, co2=wavering), "co2-unsteady"))
    assert both.severity is Severity.ADVICE and "tufts of algae rise" in both.title
    assert both.action.startswith("Steady the CO2 first: leave light and doses as they are.")
    assert "Tufts of algae rose from 1 to 3" in both.action
    assert {one.name for one in both.evidence} == {"co2-spread", "tufts"}
    assert found(seen(*TUFTS, co2=wavering, tank=long_light()), "algae-light") == []
    assert found(seen(*TUFTS), "co2-unsteady") == []


def long_light() -> Tank:
    targets = PlantTargets(20.0, 30.0, 2.0, 9.0)
    return a_tank(light=LightPlan(photoperiod_h=10.0), gas=GasPlan(), targets=targets)


def lit(hours: float):  # type: ignore[no-untyped-def]
    """A lamp that is on for some hours from ten on."""

    def lux(t: np.ndarray) -> np.ndarray:
        hour = t / 3.6e9 % 24
        return np.where((hour >= 10) & (hour < 10 + hours), 12_000.0, 10.0)

    return lux


def test_algae_that_rise_under_long_light_ask_for_shorter_light() -> None:
    rises = (saw("threads", 3), saw("threads", 1, WEEK))
    one = easy(the(seen(*rises, tank=long_light(), lux=lit(10)), "algae-light"))
    assert one.title == "Algae rise: shorten the light by 60 min"
    assert "Set the timer to 9 h" in one.action and "Thread algae rose from 1 to 3" in one.action
    assert one.who is Who.KEEPER and [str(move) for move in one.moves] == ["light-hours:less"]
    for quiet in (
        seen(*rises),  # eight hours
        seen(saw("threads", 3), tank=long_light(), lux=lit(10)),  # nothing to compare with
        seen(*reversed_levels(rises), tank=long_light(), lux=lit(10)),  # they fall
        seen(saw("threads", 1), saw("threads", 0, WEEK), tank=long_light(), lux=lit(10)),  # few
        seen(saw("threads", 3, 15 * DAY), saw("threads", 1, 20 * DAY), tank=long_light(),
             lux=lit(10)),  # long ago
    ):  # fmt: skip
        assert found(quiet, "algae-light") == []
    shortened = entry(LogKind.ADJUSTMENT, NOON - timedelta(minutes=30), lever="light-hours")
    assert (
        found(seen(*rises, more=[shortened], tank=long_light(), lux=lit(10)), "algae-light") == []
    )


def reversed_levels(pair: tuple[LogEntry, LogEntry]) -> tuple[LogEntry, LogEntry]:
    later, before = pair
    return replace(later, data=before.data), replace(before, data=later.data)


def fed(**label_mg: float) -> Tank:
    return a_tank(doses=(DosePlan("iron", 5.0, label_mg=label_mg),))


def test_pale_leaves_with_little_iron_ask_for_a_test() -> None:
    """Iron hardly moves within a plant (Marschner's Mineral Nutrition, from memory)."""
    pale = saw("pale-leaves", 3)
    little = entry(LogKind.NUTRIENT_TEST, NOON - 2 * DAY, fe_mg_l=0.02, k_mg_l=1.0)
    one = easy(the(seen(pale, tank=fed(Fe=0.01), more=[little]), "leaves-hungry"))
    assert one.title == "Pale new leaves: test the water for iron"
    assert (one.subject, one.closed_by) == ("pale-leaves", ("nutrient-test",))
    assert "give iron as planned" in one.action and "Marschner" in one.evidence[0].source
    assert found(seen(pale), "leaves-hungry") == [], "nobody said what is dosed"
    tested = entry(LogKind.NUTRIENT_TEST, NOON - 2 * HOUR, fe_mg_l=0.3)
    assert found(seen(pale, tank=fed(Fe=0.01), more=[tested]), "leaves-hungry") == []
    assert found(seen(saw("pale-leaves", 1), more=[little]), "leaves-hungry") == []
    own = replace(fed(K=0.01), thresholds={"k_low_mg_l": 20.0})
    holed = the(seen(saw("holes", 2), tank=own, more=[little]), "leaves-hungry")
    assert "potassium" in holed.title and "iron" not in holed.title


def test_leaves_that_melt_after_planting_ask_for_patience() -> None:
    replanted = entry(LogKind.REPLANT, NOON - 10 * DAY, fraction=0.1)
    melting = saw("melting", 3)
    one = easy(the(seen(melting, more=[replanted]), "leaves-melting"))
    assert "until " in one.action and one.severity is Severity.INFO
    assert {str(move) for move in one.refuses} == {"light-hours:more", "light-strength:more"}
    assert found(seen(melting), "leaves-melting") == []
    long_ago = entry(LogKind.REPLANT, NOON - 40 * DAY, fraction=0.1)
    assert found(seen(melting, more=[long_ago]), "leaves-melting") == []


def test_animals_at_the_surface_are_an_emergency_while_it_is_fresh() -> None:
    tank = a_tank(animals=(FISH,))
    one = easy(the(seen(saw("surface-breathing", 4, by="Ada"), tank=tank), "animals-gasping"))
    assert one.severity is Severity.URGENT and one.due == NOON
    assert one.action.startswith("Close the CO2 cylinder now: ")
    assert "change a third of the water" in one.action
    assert {cautions.GAS, cautions.ANIMALS} <= set(one.cautions)
    assert "seen by Ada" in one.evidence[0].source
    some = the(seen(saw("surface-breathing", 2), tank=tank), "animals-gasping")
    assert (some.severity, some.due) == (Severity.WARNING, None)
    for quiet in (
        [saw("surface-breathing", 4, 13 * HOUR)],
        [saw("surface-breathing", 0), saw("surface-breathing", 4, 2 * HOUR)],
        [saw("surface-breathing", 1)],
    ):
        assert found(seen(*quiet, tank=tank), "animals-gasping") == []
    assert (
        found(seen(saw("surface-breathing", 4), tank=a_tank(animals=())), "animals-gasping") == []
    )
    betta = a_tank(animals=(Stock("Betta splendens", 1),))
    assert found(seen(saw("surface-breathing", 2), tank=betta), "animals-gasping") == []
    plain = a_tank(animals=(FISH,), co2_injected=False)
    assert (
        "CO2 cylinder"
        not in the(seen(saw("surface-breathing", 4), tank=plain), "animals-gasping").action
    )


def test_more_co2_is_not_asked_for_while_animals_gasp() -> None:
    low = {"co2": lambda t: 0.5 * gassed(t)}
    tank = a_tank(animals=(FISH,))
    assert found(seen(tank=tank, **low), "co2-low") != []
    codes = {one.code for one in evaluate(seen(saw("surface-breathing", 4), tank=tank, **low))}
    assert "animals-gasping" in codes and "co2-low" not in codes


def test_losses_ask_for_tests_then_for_a_water_change() -> None:
    one = easy(the(seen(saw("losses", 1)), "animals-lost"))
    assert one.severity is Severity.ADVICE and one.amounts == ()
    several = easy(the(seen(saw("losses", 3)), "animals-lost"))
    assert several.severity is Severity.WARNING and several.closed_by == ("water-change",)
    assert "Then change 90 L (50 %)" in several.action
    assert several.log is not None and several.log.data == {"fraction": 0.5}
    assert cautions.NEW_WATER in several.cautions
    changed = entry(LogKind.WATER_CHANGE, NOON - HOUR, fraction=0.5)
    for quiet in (
        seen(saw("losses", 0), saw("losses", 3, DAY)),
        seen(saw("losses", 3, DAY), more=[changed]),
        seen(saw("losses", 1, DAY), more=[entry(LogKind.KH_TEST, NOON - HOUR, kh_meq_l=1.4)]),
    ):
        assert found(quiet, "animals-lost") == []


@pytest.mark.parametrize(
    ("animals", "more", "fires"),
    [
        ((SHRIMPS,), [], True),
        ((), [], True),
        ((SHRIMPS, FISH), [], False),
        ((Stock("Inventia natans", 3),), [], False),
        ((SHRIMPS,), [entry(LogKind.STOCKING, NOON - 5 * DAY, species="Danio rerio", count=-8)],
         False),
        ((SHRIMPS,), [entry(LogKind.STOCKING, NOON - 5 * DAY, species="Neocaridina davidi",
                            count=8)], True),
    ],
)  # fmt: skip
def test_hydra_after_weeks_without_fish(animals, more, fires) -> None:
    """They multiply while they are fed (Loomis & Lenhoff 1956, from memory)."""
    codes = found(seen(saw("hydra", 2), tank=a_tank(animals=animals), more=more), "hydra")
    assert bool(codes) is fires
    for one in codes:
        easy(one)
        assert cautions.MEDICATION in one.cautions and "Copper" in cautions.MEDICATION
        assert ("young shrimps" in one.action) is bool(animals)
        assert [str(move) for move in one.moves] == ["feeding:less"]


def test_hydra_in_a_new_tank_or_seen_long_ago_is_left_alone() -> None:
    fresh_tank = a_tank(animals=(SHRIMPS,), set_up=(NOON - 7 * DAY).date())
    assert found(seen(saw("hydra", 2), tank=fresh_tank), "hydra") == []
    tank = a_tank(animals=(SHRIMPS,))
    assert found(seen(saw("hydra", 2, 20 * DAY), tank=tank), "hydra") == []
    assert found(seen(saw("hydra", 0), saw("hydra", 2, DAY), tank=tank), "hydra") == []
