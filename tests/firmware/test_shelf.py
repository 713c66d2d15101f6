"""The curves and limits that a tester keeps, and the verbs that offer them, on the real MicroPython and littlefs."""

CHECKS = "checks_shelf"


def test_shelf(check, on_micropython):
    print(on_micropython(check))
