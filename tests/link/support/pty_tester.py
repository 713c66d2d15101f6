"""A tester in memory behind a pseudo-terminal, so that real programs can open it."""

import os
import threading
import tty


class PtyTester:
    """Serve a tester on a pseudo-terminal, from a thread.

    After so many pull requests the port goes away (`vanish_after_requests`), or nothing is answered any more and
    `frozen` is set (`freeze_after_requests`).
    """

    def __init__(self, tester, vanish_after_requests=None, freeze_after_requests=None):
        self._master, self._slave = os.openpty()
        tty.setraw(self._master)
        self.port = os.ttyname(self._slave)
        self._tester = tester
        self._left = vanish_after_requests
        self._until_frozen = freeze_after_requests
        self.frozen = threading.Event()
        self._open = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self):
        while True:
            try:
                data = os.read(self._master, 4096)
            except OSError:
                return
            if not data:
                return
            if self._until_frozen is not None:
                self._until_frozen -= data.count(b" pull ")
                if self._until_frozen <= 0:
                    self.frozen.set()
                    continue
            answer = self._tester.feed(data)
            while answer:
                answer = answer[os.write(self._master, answer) :]
            if self._left is not None:
                self._left -= data.count(b" pull ")
                if self._left <= 0:
                    self.hang_up()
                    return

    def hang_up(self):
        if self._open:
            self._open = False
            os.close(self._slave)
            os.close(self._master)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        # With the last slave closed, reading the master fails, and the thread ends.
        if self._open:
            os.close(self._slave)
            self._thread.join(5)
            self._open = False
            os.close(self._master)
