"""The link service, bytes in and bytes out, on the real MicroPython."""

CHECKS = "checks_service"


def test_service(check, on_micropython):
    on_micropython(check)
