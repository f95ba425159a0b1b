"""How long readings and their rollups are kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.config.values import StoreConfig
from service.errors import InvalidInputError
from service.times import to_us

_DAY = timedelta(days=1)
_DAY_US = 86_400_000_000


@dataclass(frozen=True, slots=True)
class RetentionPolicy:
    """Ages after which readings and rollups are deleted; None keeps them for ever.

    Attributes:
        raw: of the readings themselves, at least a day.
        minute, hour, day: of the rollups; none may be shorter than the finer one before it,
            since each is computed from it.

    Raises:
        InvalidInputError: if an age is too short.
    """

    raw: timedelta | None = None
    minute: timedelta | None = None
    hour: timedelta | None = None
    day: timedelta | None = None

    def __post_init__(self) -> None:
        finer, least = "one day", _DAY
        for name, age in self.ages().items():
            if age is not None and age < least:
                raise InvalidInputError.of_field(
                    f"retention.{name}", f"{age / _DAY:g} days", f"at least {finer}, or for ever"
                )
            finer = f"{name}'s {age / _DAY:g} days" if age is not None else "for ever"
            least = timedelta.max if age is None else age

    @classmethod
    def of_config(cls, config: StoreConfig) -> RetentionPolicy:
        """The ages that the configuration asks for."""
        return cls(
            *(
                None if days is None else timedelta(days=days)
                for days in (
                    config.keep_raw_days,
                    config.keep_minute_days,
                    config.keep_hour_days,
                    config.keep_day_days,
                )
            )
        )

    @property
    def keeps_all(self) -> bool:
        """Nothing is ever too old."""
        return not any(self.ages().values())

    def ages(self) -> dict[str, timedelta | None]:
        """The ages by level, the finest level first."""
        return {"raw": self.raw, "minute": self.minute, "hour": self.hour, "day": self.day}

    def retained_from_us(self, now: datetime) -> dict[str, int]:
        """The time from which each level is kept, at a start of a UTC day; 0 keeps all."""
        return {
            name: 0 if age is None else max(0, to_us(now - age) // _DAY_US * _DAY_US)
            for name, age in self.ages().items()
        }


@dataclass(frozen=True, slots=True)
class Pruned:
    """How many readings and rollup rows a pruning deleted."""

    raw: int
    minute: int
    hour: int
    day: int
