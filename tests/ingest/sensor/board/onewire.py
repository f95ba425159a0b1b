"""Simulated one-wire bus."""


class OneWireError(Exception):
    pass


class OneWire:
    def __init__(self, pin):
        self.pin = pin
