"""TMP117 temperature sensor on the ambient pigtail.

Registers: Texas Instruments SNOSD82 rev. D, section 7.6. At power-up the chip converts continuously, one result a
second.
"""

from micropython import const

from .fault import PartError

_TEMPERATURE = const(0x00)
_CONFIGURATION = const(0x01)
_DEVICE_ID = const(0x0F)
_IDENTITY = const(0x117)
_ID_MASK = const(0x0FFF)
_DATA_READY = const(0x20)  # bit 13, in the upper byte

# SNOSD82, 7.6.1.2: 7.8125 m degC a count; -256 degC stands in the register until the first conversion is done.
_CELSIUS_PER_COUNT = 0.0078125
_NOTHING_YET = const(-32768)


class Tmp117:
    """The ambient sensor on an I2C bus."""

    def __init__(self, i2c, address=0x48, u_celsius=0.25):
        """Look for the chip and check its identity.

        u_celsius [K]: standard uncertainty of the pigtail in room air. Raises PartError with code "ambient-missing"
        when nothing answers, "ambient-unknown" when something else does.
        """
        self._i2c = i2c
        self._address = address
        self._two = bytearray(2)
        self.u_celsius = u_celsius
        try:
            identity = self._read(_DEVICE_ID)
        except OSError:
            raise PartError(
                "ambient-missing",
                "The ambient sensor does not answer at I2C address 0x%02x. Check its pigtail." % address,
            )
        if identity & _ID_MASK != _IDENTITY:
            raise PartError(
                "ambient-unknown",
                "The chip at I2C address 0x%02x is no TMP117 (its id is 0x%04x)." % (address, identity),
            )

    def _read(self, register):
        self._i2c.readfrom_mem_into(self._address, register, self._two)
        return self._two[0] << 8 | self._two[1]

    def ready(self):
        """Tell whether a result has come since the last read."""
        self._i2c.readfrom_mem_into(self._address, _CONFIGURATION, self._two)
        return bool(self._two[0] & _DATA_READY)

    def celsius(self):
        """Return the last result [degC], or None before the first one. Raises OSError when the chip fell silent."""
        counts = self._read(_TEMPERATURE)
        if counts >= 0x8000:
            counts -= 0x10000
        return None if counts == _NOTHING_YET else counts * _CELSIUS_PER_COUNT
