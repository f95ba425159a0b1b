"""What of the ingester's status is written as soon as it changes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

#: Messages by which the number that waits must change to be written at once.
_WAITING: Final = 1000
#: Members that change with every message.
_COUNTS: Final = frozenset(
    ("time", "received", "acknowledged", "waiting", "stored", "last_write", "last_commit")
)

#: Of these the first one matters: somebody who sets up a sensor waits for it.
_BEGUN: Final = ("received", "stored", "last_write")


def what_matters(status: Mapping[str, Any]) -> Mapping[str, Any]:
    """The status without times; of spool and counts, whether there is any."""
    found = {name: value for name, value in status.items() if name not in _COUNTS}
    found["waiting"] = status["waiting"] // _WAITING
    found["begun"] = {name: bool(status[name]) for name in _BEGUN}
    found["spool"] = {kind: bool(number) for kind, number in status["spool"].items()}
    return found
