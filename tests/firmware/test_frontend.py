"""The front end's states and interlocks on the real MicroPython, with pins that write down what they do."""

CHECKS = "checks_frontend"


def test_frontend(check, on_micropython):
    on_micropython(check)
