"""States of a trial, in a module of their own: a command lists them without loading tanks."""

from __future__ import annotations

from enum import StrEnum


class TrialState(StrEnum):
    """What has become of a trial."""

    RUNNING = "running"
    JUDGED = "judged"  # on its date
    ENDED = "ended"  # by a person, before its date
    BROKEN_OFF = "broken-off"  # an animal's limit asked for the opposite
