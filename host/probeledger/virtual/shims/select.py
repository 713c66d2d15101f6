"""The module `select` of the RP2 port: waits pass in simulated time and end early when the host sends bytes."""

import sys

# With an empty path the interpreter's own module is found instead of this file.
_path = sys.path[:]
sys.path.clear()
from select import POLLERR, POLLHUP, POLLIN, POLLOUT, poll as _real_poll  # noqa: E402, F401

sys.path.extend(_path)
del _path, sys

import _vwire  # noqa: E402


class poll:
    """Wait for streams, as the interpreter's own poll does, but in simulated time."""

    def __init__(self):
        self._poll = _real_poll()

    def register(self, obj, eventmask=POLLIN | POLLOUT):
        """Watch a stream."""
        return self._poll.register(obj, eventmask)

    def unregister(self, obj):
        """Forget a stream."""
        return self._poll.unregister(obj)

    def modify(self, obj, eventmask):
        """Change what a watched stream is watched for."""
        return self._poll.modify(obj, eventmask)

    def _wait(self, timeout_ms):
        forever = timeout_ms is None or timeout_ms < 0
        until_us = 0 if forever else _vwire.now_us + timeout_ms * 1000
        while True:
            for _ in self._poll.ipoll(0):
                return
            left_us = -1 if forever else until_us - _vwire.now_us
            if left_us <= 0 and not forever:
                # A loop that polls without waiting still takes time.
                _vwire.ticks_us()
                return
            _vwire.wait(left_us)

    def poll(self, timeout=-1):
        """Return a list of (stream, events) after at most `timeout` milliseconds."""
        self._wait(timeout)
        return self._poll.poll(0)

    def ipoll(self, timeout=-1, flags=0):
        """Return an iterator over (stream, events) after at most `timeout` milliseconds."""
        self._wait(timeout)
        return self._poll.ipoll(0, flags)


def select(rlist, wlist, xlist, timeout=None):
    """Return the three lists of ready streams after at most `timeout` seconds."""
    poller = poll()
    for stream in rlist:
        poller.register(stream, POLLIN)
    for stream in wlist:
        poller.register(stream, POLLOUT)
    found = poller.poll(-1 if timeout is None else int(timeout * 1000))
    readable = [item[0] for item in found if item[1] & POLLIN]
    writable = [item[0] for item in found if item[1] & POLLOUT]
    return readable, writable, [item[0] for item in found if item[1] & POLLERR]
