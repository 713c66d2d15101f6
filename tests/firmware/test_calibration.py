"""The calibration in force and its verbs, on the real MicroPython and littlefs."""

CHECKS = "checks_calibration"


def test_calibration(check, on_micropython):
    on_micropython(check)
