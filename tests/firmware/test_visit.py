"""Jobs and places of a visit on the real MicroPython."""

CHECKS = "checks_visit"


def test_visit(check, on_micropython):
    on_micropython(check)
