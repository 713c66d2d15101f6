"""The virtual tester: the real firmware on the real MicroPython, with chips, circuit and time simulated around it."""
