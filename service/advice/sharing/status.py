"""The status of all schedulers of a registry as one, from what each has reported."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from service.registry.models.process_status import WRITTEN_EVERY_S, written_every_s
from service.registry.models.schedulers import SCHEDULER_STATUS, SHARING_STATUS


def scheduler_statuses(statuses: Mapping[str, Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """What each scheduler reported last, of all statuses by name."""
    return [
        status
        for name, status in statuses.items()
        if name == SCHEDULER_STATUS or name.startswith(SHARING_STATUS)
    ]


def combined_status(statuses: Mapping[str, Mapping[str, Any]]) -> Mapping[str, Any] | None:
    """The status of the evaluation of all tanks; None where no scheduler has reported.

    What is oldest, slowest or wrong with any of them counts for all.
    """
    found = scheduler_statuses(statuses)
    if len(found) < 2:
        return found[0] if found else None
    mended: Counter[str] = Counter()
    for one in found:
        mended.update(one.get("mended") or {})
    evaluated = [one.get("evaluated") for one in found]
    return {
        "time": min(one["time"] for one in found),
        "evaluated": None if None in evaluated else min(str(one) for one in evaluated),
        "every_s": max(float(one["every_s"]) for one in found),
        WRITTEN_EVERY_S: max(map(written_every_s, found)),
        "seconds": max(float(one.get("seconds", 0.0)) for one in found),
        "tanks": sum(int(one.get("tanks", 0)) for one in found),
        "failed": [tank for one in found for tank in one.get("failed", ())],
        "error": next((one["error"] for one in found if one.get("error")), None),
        "mended": dict(mended),
    }
