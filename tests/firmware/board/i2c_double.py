"""Test double of an I2C bus: register files by address, writes kept, chips that can be pulled off."""


class Bus:
    """Chips are dicts of register number to byte; `sent` keeps plain writes as (address, bytes)."""

    def __init__(self):
        self.chips = {}
        self.sent = []

    def chip(self, address):
        if address not in self.chips:
            raise OSError(5)
        return self.chips[address]

    def writeto(self, address, buffer):
        self.chip(address)
        self.sent.append((address, bytes(buffer)))
        return len(buffer)

    def readfrom_mem_into(self, address, register, buffer):
        chip = self.chip(address)
        for index in range(len(buffer)):
            # The TMP117 has words, given here as pairs under (register, index).
            key = (register, index) if (register, 0) in chip else register + index
            buffer[index] = chip.get(key, 0)

    def writeto_mem(self, address, register, buffer):
        chip = self.chip(address)
        for index in range(len(buffer)):
            chip[register + index] = buffer[index]
