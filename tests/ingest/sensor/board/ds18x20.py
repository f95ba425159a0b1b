"""Simulated thermometer, as MicroPython's own driver has it."""

import simulated


class DS18X20:
    def __init__(self, bus):
        self.bus = bus

    def scan(self):
        return [] if simulated.celsius is None else [b"(\xff\x01\x02\x03\x04\x05\x06"]

    def convert_temp(self):
        pass

    def read_temp(self, address):
        if simulated.broken:
            raise AssertionError("CRC")
        return simulated.celsius
