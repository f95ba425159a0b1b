"""The probes: each read gives (quantity, unit, value), or None when it cannot be read.

Millivolts are sent as they are: calibration stays in the service, where it can be corrected.
"""

import time

import machine

SAMPLES = 32  # readings of an analogue pin that make one value


def middle(values):
    """Mean of the middle half: single disturbances do not count."""
    values = sorted(values)
    cut = len(values) // 4
    kept = values[cut : len(values) - cut]
    return sum(kept) / len(kept)


class Analogue:
    """A voltage at a pin."""

    def __init__(self, pin, quantity):
        self.quantity = quantity
        self._adc = machine.ADC(machine.Pin(pin))
        if hasattr(machine.ADC, "ATTN_11DB"):
            self._adc.atten(machine.ADC.ATTN_11DB)  # some boards: the whole range to 3.3 V

    def _millivolts(self):
        if hasattr(self._adc, "read_uv"):
            return self._adc.read_uv() / 1000
        return self._adc.read_u16() * 3300 / 65535

    def read(self):
        values = []
        for _ in range(SAMPLES):
            values.append(self._millivolts())
            time.sleep_ms(2)
        return self.quantity, "mV", middle(values)


class Thermometer:
    """A digital thermometer on a one-wire bus."""

    POWER_ON_C = 85.0  # what it says before its first measurement

    def __init__(self, pin):
        import ds18x20
        import onewire

        # A checksum that is wrong, a wire that is loose.
        self._faults = (OSError, AssertionError, onewire.OneWireError)
        self._bus = ds18x20.DS18X20(onewire.OneWire(machine.Pin(pin)))
        self._address = None

    def read(self):
        try:
            if self._address is None:
                found = self._bus.scan()
                if not found:
                    return None
                self._address = found[0]
            self._bus.convert_temp()
            time.sleep_ms(750)
            celsius = self._bus.read_temp(self._address)
        except self._faults as error:
            print("thermometer:", error)
            self._address = None
            return None
        return None if celsius == self.POWER_ON_C else ("temperature", "Cel", celsius)


def connected(settings):
    """The probes that are connected."""
    found = []
    if settings.THERMOMETER_PIN is not None:
        found.append(Thermometer(settings.THERMOMETER_PIN))
    if settings.PH_PIN is not None:
        found.append(Analogue(settings.PH_PIN, "ph"))
    if settings.LIGHT_PIN is not None:
        found.append(Analogue(settings.LIGHT_PIN, "illuminance"))
    return found
