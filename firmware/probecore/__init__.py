"""The computing core: the same files on the tester (MicroPython) and on the host (CPython).

Nothing here touches a pin, a file, a port or a clock. Values come in as arguments and go out as numbers, bytes and
small named tuples.
"""

RECORD_FORMAT = 1
PROTOCOL = 1
