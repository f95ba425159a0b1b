"""Whether another client uses our client id, told from how the broker ends connections.

A broker lets no two clients have one id: who comes second takes the connection over, the first
comes back and takes it over in turn. By MQTT 5.0 (section 3.1.4) a broker may give that as its
reason, 0x8E "Session taken over". Others just close the connection, which paho calls an
"Unspecified error".
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from paho.mqtt.reasoncodes import ReasonCode

TAKEN_OVER: Final = 0x8E
UNSPECIFIED: Final = 0x80
"""What paho gives where the broker gave no reason."""
AGAIN_WITHIN_S: Final = 120.0
"""A second such end in this time is no restart of the broker. Our choice."""
LASTING_S: Final = 300.0
"""So long after the last such end it counts as a fault. Our choice."""


class SameClientId:
    """Counts ends of one client's connections that look as if another one had its id."""

    def __init__(self, client_id: str, seconds: Callable[[], float] = time.monotonic) -> None:
        """None yet.

        Args:
            seconds: a clock that only rises.
        """
        self._client_id = client_id
        self._seconds = seconds
        self._ended_s: float | None = None
        self._fault_s: float | None = None

    def ended(self, reason: ReasonCode) -> str:
        """The sentence for a connection that was up and has ended with a failure."""
        now_s = self._seconds()
        if reason.value == TAKEN_OVER:
            self._fault_s = now_s
        elif reason.value != UNSPECIFIED:
            return f"the connection to the broker ended: {reason}"
        elif self._ended_s is not None and now_s - self._ended_s <= AGAIN_WITHIN_S:
            self._fault_s = now_s
        self._ended_s = now_s
        return self.fault or (
            "the broker ended the connection without a reason: it was stopped, or another client "
            f"uses the client id {self._client_id!r} too"
        )

    def unreachable(self) -> None:
        """The broker did not answer: so it was away, and the ends before say nothing."""
        self._ended_s = self._fault_s = None

    @property
    def fault(self) -> str:
        """That another client has the same id, one sentence; "" while nothing speaks for it."""
        if self._fault_s is None or self._seconds() - self._fault_s > LASTING_S:
            return ""
        return (
            f"another client connects with the same client id, {self._client_id!r}, and the broker "
            "ends our connection each time: give each program an mqtt.client_id of its own"
        )
