"""Simulated wireless network."""

STA_IF = 0


class WLAN:
    there = True

    def __init__(self, interface):
        assert interface == STA_IF
        self.joined = None

    def active(self, on):
        assert on

    def connect(self, name, password):
        self.joined = (name, password)

    def isconnected(self):
        return WLAN.there and self.joined is not None
