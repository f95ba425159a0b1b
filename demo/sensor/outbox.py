"""Readings that wait to be sent, oldest first, and the SenML packs they are sent in."""

import json

PACK = 24  # readings in one message


class Outbox:
    """A bounded queue; when it is full the oldest reading goes."""

    def __init__(self, limit):
        self._limit = limit
        self._items = []
        self.dropped = 0

    def __len__(self):
        return len(self._items)

    def put(self, quantity, unit, value, uptime_s):
        if len(self._items) >= self._limit:
            self._items.pop(0)
            self.dropped += 1
        self._items.append([quantity, unit, value, uptime_s, None])

    def head(self, uptime_s, unix_s):
        """The oldest readings as a SenML pack (RFC 8428), and how many there are.

        A reading is stamped when it is first packed with the clock set, and keeps that time: sent
        twice, it is the same reading. While the clock is not set, times are relative to now.
        """
        items = self._items[:PACK]
        for item in items:
            if item[4] is None and unix_s is not None:
                item[4] = unix_s - (uptime_s - item[3])
        stamped = [item for item in items if item[4] is not None]
        if stamped:
            items = stamped
        pack = []
        for quantity, unit, value, measured_s, time_s in items:
            record = {"n": quantity, "u": unit, "v": round(value, 4)}
            record["t"] = measured_s - uptime_s if time_s is None else time_s
            pack.append(record)
        return json.dumps(pack), len(items)

    def sent(self, count):
        """Forget the oldest readings: the broker has them."""
        del self._items[:count]
