"""What became of samples: readings to store, what is stored already, rejections."""

from __future__ import annotations

from dataclasses import dataclass, field

from ingest.decode.message import FirstDelivery, Message
from service.registry.models.ingest import Rejection
from service.store import Reading


@dataclass(frozen=True, slots=True)
class Unchanged:
    """What became of a sample that is stored already: nothing is written."""

    reading: Reading


Outcome = Reading | Unchanged | Rejection


@dataclass(slots=True)
class Processed:
    """What became of a batch.

    Attributes:
        readings: to be stored: the new ones, and earlier ones whose flag is removed.
        rejections: what is no reading.
        outcomes: what became of each sample, in their order; after those of an arrival, what
            could not be decoded of it.
        first_deliveries: messages that came for the first time and may come again, for the journal.
    """

    readings: list[Reading] = field(default_factory=list)
    rejections: list[Rejection] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    first_deliveries: list[tuple[Message, FirstDelivery]] = field(default_factory=list)

    def add(self, part: Processed) -> None:
        """Add what became of a part of the batch; its first deliveries are remembered already."""
        self.readings += part.readings
        self.rejections += part.rejections
        self.outcomes += part.outcomes

    def reject(self, rejected: Rejection) -> None:
        """Add a rejection."""
        self.rejections.append(rejected)
        self.outcomes.append(rejected)
