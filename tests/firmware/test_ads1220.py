"""The converter's driver on the real MicroPython, against a double of the chip."""

CHECKS = "checks_ads1220"


def test_ads1220(check, on_micropython):
    on_micropython(check)
