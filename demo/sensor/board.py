"""The board's program: read, wait for the network, send, for ever."""

import time

import clock
import probes
from link import Link, LinkError
from outbox import Outbox

CLOCK_EVERY_S = 86400  # the clock is set anew once a day
LONGEST_WAIT_S = 300


class Board:
    """All of it; ``turn`` does one round."""

    def __init__(self, settings, wifi):
        self._settings = settings
        self._wifi = wifi
        self._probes = probes.connected(settings)
        self._uptime = clock.Uptime()
        self._outbox = Outbox(settings.QUEUE)
        self._link = Link(
            settings.BROKER,
            settings.PORT,
            settings.SENSOR,
            settings.USER,
            settings.PASSWORD,
            settings.AUTHORITY,
        )
        self._topic = "%s/%s" % (settings.PREFIX, settings.TANK)
        self._base = settings.SENSOR + ":"
        self._read_at = self._uptime.now()
        self._send_at = self._clock_at = self._read_at
        self._wait_s = 1

    @property
    def waiting(self):
        """How many readings wait to be sent."""
        return len(self._outbox)

    def turn(self):
        """Read if it is time to, send if something waits and the network is there."""
        now = self._uptime.now()
        if now >= self._read_at:
            self._read_at += self._settings.PERIOD_S
            if self._read_at <= now:
                self._read_at = now + self._settings.PERIOD_S
            self._read(now)
        if self.waiting and now >= self._send_at:
            self._send(now)

    def _read(self, now):
        for probe in self._probes:
            found = probe.read()
            if found is not None:
                quantity, unit, value = found
                self._outbox.put(self._base + quantity, unit, value, now)

    def _send(self, now):
        try:
            if not self._wifi.isconnected():
                raise OSError("no network")
            if now >= self._clock_at and clock.set_from_network():
                self._clock_at = now + CLOCK_EVERY_S
            while self.waiting:
                pack, count = self._outbox.head(self._uptime.now(), clock.unix())
                self._link.publish(self._topic, pack)
                self._outbox.sent(count)
            self._wait_s = 1
        except (OSError, LinkError) as error:
            print("waiting with", self.waiting, "readings:", error)
            self._send_at = now + self._wait_s
            self._wait_s = min(2 * self._wait_s, LONGEST_WAIT_S)


def run(settings, wifi):
    """Start the board and never stop."""
    board = Board(settings, wifi)
    while True:
        board.turn()
        time.sleep_ms(200)
