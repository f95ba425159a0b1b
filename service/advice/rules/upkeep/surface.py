"""Rules `plant-at-surface` and `plant-covered`: how high plants grow, and what stands behind them.

The first judges logged heights and the growth between them. It clears when a cut is logged, or when
the keeper's choice is to let the plant grow out. The second judges where plants stand: it is said
once for two species, and clears when their places or wished heights change.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import permutations
from typing import get_args

from service.advice.engine.practice import COMMON_PRACTICE
from service.advice.engine.recommendation import Amount, Evidence, Finding, LogDraft, Severity
from service.advice.engine.rule import Case, Rule
from service.advice.engine.work import Hazard, Who
from service.advice.phrases import local_date
from service.derive.inhabitants.plant_heights import PlantHeight, height_of
from service.derive.inhabitants.plants import Planted, plants_of
from service.registry.models.log import LogKind
from service.registry.models.tank import Position
from service.registry.volume import water_column_cm

SURFACE = "plant-at-surface"
COVERED = "plant-covered"
FOR_GOOD = timedelta(days=36_500)
HIDES = 1.5
"""A plant that is taller by less of itself leaves enough to be seen. Our choice."""

DEPTH = {word: depth for depth, word in enumerate(get_args(Position))}
"""From the front to the back."""


def judge_surface(case: Case) -> Iterator[Finding]:
    """One finding for each species that is near the surface, or taller than it is wished."""
    column_cm = water_column_cm(case.tank)
    if column_cm is None:
        return
    oldest = timedelta(weeks=case.limit("height_weeks"))
    for one in plants_of(case.tank):
        plant = one.plant
        if one.place in ("wood", "float") or plant.at_surface == "grow-out":
            continue
        height = height_of(plant, case.tank, case.view.log, case.now)
        if height is None or case.now - height.time > oldest:
            continue
        clear_cm = column_cm - case.limit("stem_clear_cm")
        aim_cm = min(plant.wished_height_cm or clear_cm, clear_cm)
        eased_cm = case.eased(1.0, 0.95, SURFACE, plant.species)
        if plant.at_surface == "trim" and height.now_cm >= aim_cm * eased_cm:
            yield _trim(case, one, height, aim_cm)
        elif plant.at_surface is None and _near(case, height, column_cm):
            yield _choose(case, one, height, column_cm)


def _near(case: Case, height: PlantHeight, column_cm: float) -> bool:
    if height.now_cm >= column_cm:
        return True
    weeks = height.to_surface
    return weeks is not None and weeks.value <= case.limit("surface_weeks")


def _trim(case: Case, one: Planted, height: PlantHeight, aim_cm: float) -> Finding:
    name, leave = one.plant.species, case.limit("stem_height_cm")
    leave = min(leave, aim_cm)
    return Finding(
        code=SURFACE,
        subject=name,
        severity=Severity.INFO,
        title=f"Trim {name}: about {height.now_cm:.0f} cm tall",
        action=(
            f"Cut it back to about {leave:.0f} cm and take the cuttings out. It should stay below "
            f"{aim_cm:.0f} cm. {_grown(case, height)}"
        ).rstrip(),
        evidence=(_evidence(height, aim_cm),),
        amounts=(Amount("cut off", max(height.now_cm - leave, 0.0), "cm"),),
        hazards=(Hazard.MAINS, Hazard.STOPPED),
        who=Who.KEEPER,
        confidence=0.6,
        closed_by=(LogKind.TRIM, LogKind.REPLANT),
        since=height.time,
        log=LogDraft(LogKind.TRIM.value, {"plant": name, "height_cm": leave}),
    )


def _choose(case: Case, one: Planted, height: PlantHeight, column_cm: float) -> Finding:
    name, weeks = one.plant.species, height.to_surface
    there = height.now_cm >= column_cm or (weeks is not None and weeks.value < 0.5)
    when = "is at the surface" if there or weeks is None else _when(weeks.value)
    return Finding(
        code=SURFACE,
        subject=name,
        severity=Severity.INFO,
        title=f"{name} {when}: trim it, or let it grow out?",
        action=(
            "Choose once, in the settings of the tank under Plants: trim it at the surface, or let "
            "it grow out. What you choose is remembered. Leaves at the surface shade what stands "
            f"below. {_grown(case, height)}"
        ).rstrip(),
        evidence=(_evidence(height, column_cm),),
        hazards=(Hazard.MAINS,),
        who=Who.KEEPER,
        confidence=0.6,
        closed_by=(LogKind.TRIM, LogKind.REPLANT),
        since=height.time,
    )


def _when(weeks: float) -> str:
    whole = max(round(weeks), 1)
    return f"reaches the surface in about {whole} week{'' if whole == 1 else 's'}"


def _grown(case: Case, height: PlantHeight) -> str:
    was = f"It was {height.last_cm:.0f} cm on {local_date(case.tank, height.time, case.now)}"
    if height.growth is None:
        return f"{was}."
    low, high = height.growth.low, height.growth.high
    return f"{was}, and grows {height.growth.value:.1f} cm a week ({low:.1f} to {high:.1f})."


def _evidence(height: PlantHeight, limit_cm: float) -> Evidence:
    return Evidence(
        "height, estimated from the heights in the log", "height", height.now_cm, "cm", limit_cm,
        height.time, COMMON_PRACTICE,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Cover:
    """A plant that stands before a lower one; heights as wished, else of grown plants, cm."""

    tall: Planted
    low: Planted
    tall_cm: float
    low_cm: float


def judge_covered(case: Case) -> Iterator[Finding]:
    """One finding for each pair of which the taller one stands in front."""
    for one in covers_of(case):
        tall, low = one.tall.plant.species, one.low.plant.species
        yield Finding(
            code=COVERED,
            subject=f"{tall} before {low}",
            severity=Severity.INFO,
            title=f"{tall} will hide {low}",
            action=(
                f"Move one of them at the next replant, or keep {tall} lower than {one.low_cm:.0f} "
                f"cm. It stands {_where(one.tall)} and grows to about {one.tall_cm:.0f} cm, and "
                f"{low} {_where(one.low)} to {one.low_cm:.0f} cm. This is said once: mark it as "
                "done to leave it so."
            ),
            evidence=(
                Evidence(
                    "taller than what stands behind it by", "height", one.tall_cm - one.low_cm,
                    "cm", case.limit("cover_cm"), None, COMMON_PRACTICE,
                ),
            ),
            hazards=(Hazard.MAINS,),
            who=Who.KEEPER,
            confidence=0.6,
        )  # fmt: skip


def covers_of(case: Case) -> Iterator[Cover]:
    """The pairs of which the taller one stands before the lower one, on the same side."""
    placed = [one for one in plants_of(case.tank) if one.plant.position is not None]
    for tall, low in permutations(placed, 2):
        tall_cm, low_cm = _grown_cm(tall), _grown_cm(low)
        if tall_cm is None or low_cm is None or not _before(tall, low):
            continue
        if tall_cm - low_cm >= case.limit("cover_cm") and tall_cm >= HIDES * low_cm:
            yield Cover(tall, low, tall_cm, low_cm)


def _grown_cm(one: Planted) -> float | None:
    return one.plant.wished_height_cm or one.plant.height_high_cm


def _before(one: Planted, other: Planted) -> bool:
    here, there = DEPTH[one.plant.position or ""], DEPTH[other.plant.position or ""]
    sides = {one.plant.side, other.plant.side} - {None}
    return here < there and len(sides) < 2


def _where(one: Planted) -> str:
    words = {"front": "at the front", "middle": "in the middle", "back": "at the back"}
    side = f" on the {one.plant.side}" if one.plant.side in ("left", "right") else ""
    return words[one.plant.position or ""] + side


SURFACE_RULE = Rule(
    SURFACE, "a plant reaches the surface, by its logged heights", judge_surface,
    settling=timedelta(days=7),
)  # fmt: skip
COVERED_RULE = Rule(
    COVERED, "a taller plant stands before a lower one", judge_covered, settling=FOR_GOOD
)
