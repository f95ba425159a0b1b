"""How long the other schedulers have been silent, by one's own clock alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.process_identity import has_ended
from service.registry.models.schedulers import SchedulerProcess


@dataclass(slots=True)
class _Heard:
    beat: int
    silent_s: float = 0.0


class Silence:
    """Watches the beats of others; not safe for several threads.

    Time counts only while one looks oneself: whoever was paused, with all others or alone, has
    noticed nothing of them meanwhile and must not hold them for gone.
    """

    def __init__(self, has_ended: Callable[[str], bool] = has_ended) -> None:
        """Nobody is known yet.

        Args:
            has_ended: whether a process is known to have ended.
        """
        self._has_ended = has_ended
        self._heard: dict[str, _Heard] = {}
        self._seconds: float | None = None

    def hear(
        self, others: Mapping[str, SchedulerProcess], now_s: float, usual_s: float
    ) -> dict[str, int]:
        """Take note of the others' beats; returns those that are gone, with their last beat.

        Args:
            now_s: of a clock that only rises.
            usual_s: from one call to the next; of more only twice as much counts.
        """
        passed_s = 0.0 if self._seconds is None else min(now_s - self._seconds, 2 * usual_s)
        self._seconds = now_s
        before, self._heard = self._heard, {}
        for id, one in others.items():
            known = before.get(id)
            if known is None or known.beat != one.beat:
                known = _Heard(one.beat)
            else:
                known.silent_s += passed_s
            self._heard[id] = known
        return {
            id: one.beat
            for id, one in others.items()
            if self._heard[id].silent_s >= one.lease_s or self._has_ended(one.process)
        }
