"""Simulated pins and analogue inputs, as MicroPython's own module has them."""

import simulated


class Pin:
    def __init__(self, number):
        self.number = number


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin):
        self._pin = pin.number
        self._count = 0

    def atten(self, attenuation):
        assert attenuation == ADC.ATTN_11DB

    def read_uv(self):
        values = simulated.microvolts[self._pin]
        self._count += 1
        return values[self._count % len(values)]
