"""What the log says of nutrients, as events for their estimate."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from service.derive.nutrients.dose_content import content_known, rises_mg_l
from service.registry.fields.log.water_tests import TESTED_IONS
from service.registry.models.log import LogEntry, LogKind, oldest_first
from service.registry.models.plans import DosePlan, WaterChangePlan
from service.registry.models.tank import Tank
from service.registry.volume import net_volume_l
from service.science.nutrients.budget import Event
from service.science.nutrients.dosing import ions_mg_l

HISTORY_DAYS: Final = 120
"""The estimate begins so many days ago; the loader gives the log since then."""

TAP_IONS: Final = {ion: f"tap_{key}" for key, ion in TESTED_IONS.items()}


@dataclass(frozen=True, slots=True)
class History:
    """The events of a tank's nutrients, oldest first, and what is not known of them.

    Attributes:
        start: since when every dose and change counts.
        tap_mg_l: the usual new water, by ion, as far as known.
    """

    start: datetime
    events: tuple[Event, ...]
    tap_mg_l: dict[str, float]
    reasons: tuple[str, ...]


def history_of(tank: Tank, log: Sequence[LogEntry], now: datetime) -> History:
    """The events up to ``now``, from the first entry on.

    Args:
        log: of the last ``HISTORY_DAYS`` at least, newest first.
    """
    entries = sorted(
        oldest_first(one for one in log if one.kind in _ORDER and one.time <= now),
        key=lambda one: (one.time, _ORDER[one.kind]),
    )
    # Before the first entry nobody wrote anything down: nothing is known of it.
    first = entries[0].time if entries else now
    start = max(first, now - timedelta(days=HISTORY_DAYS))
    litres = net_volume_l(tank)
    unknown: Counter[str] = Counter()
    events = []
    for entry in entries:
        if entry.time < start:
            continue
        event = _event(tank, entry, litres)
        if event.unknown_dose:
            unknown[str(entry.data.get("name", "")).strip() or "a fertiliser"] += 1
        events.append(event)
    reasons = [
        f"it is not known what is in {name}: {count} of its doses are in the log, and the estimate "
        "is wide; enter it in the dose plan (`salts` or `label`)"
        for name, count in unknown.items()
    ]
    if unknown and litres is None:
        reasons = ["the net volume is not known, so what a dose adds is not known"]
    return History(start, tuple(events), usual_tap_mg_l(tank.water_change), tuple(reasons))


def usual_tap_mg_l(plan: WaterChangePlan) -> dict[str, float]:
    """Nutrients of the new water, as far as known; let down with reverse-osmosis water by KH."""
    share = 1.0
    if plan.tap_kh_meq_l and plan.target_kh_meq_l is not None:
        share = min(plan.target_kh_meq_l / plan.tap_kh_meq_l, 1.0)
    known = {ion: getattr(plan, name) for ion, name in TAP_IONS.items()}
    return {ion: share * level for ion, level in known.items() if level is not None}


def plan_of(tank: Tank, name: str) -> DosePlan | None:
    """The planned dose that an entry of the log names; the only one where it names none."""
    wanted = name.strip().casefold()
    if not wanted and len(tank.doses) == 1:
        return tank.doses[0]
    return next((one for one in tank.doses if one.name.strip().casefold() == wanted), None)


#: What is done at one moment: tests before changes before doses.
_ORDER: Final = {
    LogKind.NUTRIENT_TEST: 1,
    LogKind.WATER_CHANGE: 2,
    LogKind.DOSE: 3,
    LogKind.BUFFER: 3,
}


def _event(tank: Tank, entry: LogEntry, litres: float | None) -> Event:
    at, data = entry.time.timestamp(), entry.data
    if entry.kind is LogKind.NUTRIENT_TEST:
        read = {ion: float(data[key]) for key, ion in TESTED_IONS.items() if key in data}
        return Event(at, test_mg_l=read)
    if entry.kind is LogKind.WATER_CHANGE:
        return Event(at, changed=float(data.get("fraction", tank.water_change.fraction)))
    if entry.kind is LogKind.BUFFER:
        if litres is None:
            return Event(at)
        rise = ions_mg_l(str(data["salt"]), float(data["g"]), litres)
        return Event(at, rise_mg_l={ion: float(one) for ion, one in rise.items()})
    plan = plan_of(tank, str(data.get("name", "")))
    if plan is None or litres is None or not content_known(plan):
        return Event(at, unknown_dose=True)
    amount = _amount(plan, entry, litres)
    if amount is None:
        return Event(at, unknown_dose=True)
    return Event(at, rise_mg_l=rises_mg_l(plan, amount, litres))


def _amount(plan: DosePlan, entry: LogEntry, litres: float) -> float | None:
    """mL or g of an entry; the planned amount where it has none; None in the other unit."""
    key, per_100_l = (
        ("ml", plan.ml_per_100_l) if plan.ml_per_100_l is not None else ("g", plan.g_per_100_l)
    )
    if key in entry.data:
        return float(entry.data[key])
    other = "g" if key == "ml" else "ml"
    if other in entry.data or per_100_l is None:
        return None
    return per_100_l * litres / 100
