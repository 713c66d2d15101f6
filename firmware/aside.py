"""Modules that are needed now and then: loaded for their time, and their memory given back after it.

All of the program at once would leave a board too little heap for a test. A bench measurement, the morning check and a
calibration's arrival never run beside a probe test, so the heap has to hold only one of them.
"""

import gc
import sys


class Aside:
    """A module for the length of a `with`: it, and what it imports that nobody else had, is forgotten at the end."""

    def __init__(self, name):
        """name: of the module, with its packages."""
        self._name = name
        self._before: list[str] = []

    def __enter__(self):
        """Import the module and return it."""
        gc.collect()
        self._before = list(sys.modules)
        __import__(self._name)
        return sys.modules[self._name]

    def __exit__(self, *raised):
        """Forget what was imported here."""
        for name in list(sys.modules):
            if name not in self._before:
                package, _, leaf = name.rpartition(".")
                del sys.modules[name]
                if package in sys.modules:
                    delattr(sys.modules[package], leaf)
        gc.collect()
        return False
