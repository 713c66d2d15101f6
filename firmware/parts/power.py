"""The cell's voltage and the USB plug."""

from machine import ADC, Pin
from micropython import const

_SAMPLES = const(8)


class Power:
    """What feeds the tester."""

    def __init__(self, cell_pin, usb_pin, divider_permille, supply_millivolts):
        """cell_pin, usb_pin: numbers; divider_permille: what of the cell's voltage reaches the pin; supply_millivolts:
        full scale of the board's own converter [mV]."""
        self._adc = ADC(cell_pin)
        self._usb = Pin(usb_pin, Pin.IN)
        self._divider_permille = divider_permille
        self._supply_millivolts = supply_millivolts

    def cell_millivolts(self):
        """Return the cell's voltage [mV]; good to about 2 %, as the supply and the divider are."""
        total = 0
        for _ in range(_SAMPLES):
            total += self._adc.read_u16() >> 4
        counts = total // _SAMPLES
        return counts * self._supply_millivolts // 4096 * 1000 // self._divider_permille

    def usb(self):
        """Tell whether USB feeds the tester."""
        return self._usb() == 1
