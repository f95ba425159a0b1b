"""Runs the board by commands from stdin, one JSON list a line, and answers one JSON line each."""

import json

import js
import network
import settings
import simulated

import board
import clock
import wifi


class Steps:
    def __init__(self):
        self.board = None

    def settings(self, values):
        for name, value in values.items():
            setattr(settings, name, value)
        self.board = board.Board(settings, wifi.join(*settings.WIFI))

    def pins(self, values):
        for name, value in values.items():
            if name in ("celsius", "broken"):
                setattr(simulated, name, value)
            else:
                simulated.microvolts[int(name)] = value

    def network(self, there):
        network.WLAN.there = there

    def unset_clock(self):
        clock.unix = lambda: None

    def later(self, seconds):
        """Time passes for both clocks of the board, and nothing happens."""
        unix = clock.unix
        now = unix()
        if now is not None:
            clock.unix = lambda: unix() + seconds
        self.board._uptime._ms += 1000 * seconds

    def turn(self):
        """One round in which a reading is due."""
        self.board._read_at = self.board._send_at = 0
        self.board.turn()

    def rest(self):
        """One round right after; nothing is due but what waits."""
        self.board._send_at = 0
        self.board.turn()


def main():
    steps = Steps()
    while True:
        line = js.bridge.line()
        if line == "end":
            return
        name, *arguments = json.loads(line)
        getattr(steps, name)(*arguments)
        waiting = steps.board.waiting if steps.board is not None else 0
        print("=" + json.dumps({"waiting": waiting}))
