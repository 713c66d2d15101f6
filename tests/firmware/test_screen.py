"""The display's pages on the real MicroPython."""

CHECKS = "checks_screen"


def test_screen(check, on_micropython):
    on_micropython(check)
