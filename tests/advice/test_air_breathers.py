"""Fishes that take air: their coming up is no alarm, and is said to be none."""

from __future__ import annotations

from service.advice.cautions import ANIMALS, cautions_for
from service.advice.engine.rule import Case
from service.advice.engine.work import Hazard
from service.advice.handover.emergencies import emergencies
from service.registry.models.tank import Stock
from tests.advice.cases import view_with
from tests.derive.pieces import a_tank

CATFISH = (Stock("Corydoras aeneus", 8), Stock("Paracheirodon innesi", 20))


def test_the_caution_on_animals_tells_them_apart_from_distress() -> None:
    (text,) = cautions_for((Hazard.ANIMALS,), a_tank(animals=CATFISH))
    air = "Corydoras aeneus takes air at the surface now and then: that alone is no alarm."
    assert text == f"{ANIMALS} {air}"
    assert cautions_for((Hazard.ANIMALS,), a_tank(animals=CATFISH[1:])) == (ANIMALS,)
    gone = (Stock("Corydoras aeneus", 0), CATFISH[1])
    assert cautions_for((Hazard.ANIMALS,), a_tank(animals=gone)) == (ANIMALS,)


def test_the_emergency_does_too() -> None:
    first = emergencies(Case(view_with(a_tank(animals=CATFISH))))[0]
    assert first.title == "animals gasp at the surface and stay there, or lie on their sides"
    assert any("that alone is no alarm" in text for text in first.cautions)
    usual = emergencies(Case(view_with(a_tank(animals=CATFISH[1:]))))[0]
    assert usual.title == "animals gasp at the surface, or lie on their sides"
