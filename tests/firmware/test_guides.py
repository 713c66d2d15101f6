"""The guided test's pages on the real MicroPython."""

CHECKS = "checks_guides"


def test_guides(check, on_micropython):
    on_micropython(check)
