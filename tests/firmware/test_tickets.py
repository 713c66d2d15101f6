"""The day's tickets on the real MicroPython, on a flash chip that loses its power at any moment."""

CHECKS = "checks_tickets"


def test_tickets(check, on_micropython):
    on_micropython(check)
