"""The drivers of clock, ambient sensor and display on the real MicroPython."""

CHECKS = "checks_parts"


def test_parts(check, on_micropython):
    on_micropython(check)
