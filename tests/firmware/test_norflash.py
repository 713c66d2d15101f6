"""The flash driver on the real MicroPython, against a double of a 25-series chip."""

CHECKS = "checks_norflash"


def test_norflash(check, on_micropython):
    on_micropython(check)
