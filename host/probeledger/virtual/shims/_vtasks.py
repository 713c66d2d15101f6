"""The module `_asyncio` (Task and TaskQueue) on simulated time.

The interpreter's own, in C, stamps a task that shall run now with the computer's clock, and compares stamps modulo
2**62 instead of 2**30. Everything else of asyncio is Python and finds this one and the shims of time and select.
The states of a task are those of the C module: True (runs, nobody waits for it), a TaskQueue (runs, these wait),
None (done, nobody waited), False (done and waited for).
"""

from _vwire import ticks_diff, ticks_ms


class TaskQueue:
    """Tasks in the order of their times, the first come first among equals."""

    def __init__(self):
        self._first = None

    def peek(self):
        """Return the next task, or None."""
        return self._first

    def push(self, task, key=None):
        """Put a task in at a time [ticks ms] (None: now)."""
        task.data = None
        task.ph_key = key = ticks_ms() if key is None else key
        before = None
        after = self._first
        while after is not None and ticks_diff(after.ph_key, key) <= 0:
            before = after
            after = after.behind
        task.behind = after
        if before is None:
            self._first = task
        else:
            before.behind = task

    def pop(self):
        """Take the next task out."""
        task = self._first
        if task is None:
            raise IndexError("empty heap")
        self._first = task.behind
        task.behind = None
        return task

    def remove(self, task):
        """Take a certain task out."""
        before = None
        other = self._first
        while other is not None and other is not task:
            before = other
            other = other.behind
        if other is None:
            return
        if before is None:
            self._first = task.behind
        else:
            before.behind = task.behind
        task.behind = None


# The names of asyncio.core: its current task, its queue, its CancelledError.
_core = None


class Task:
    """A coroutine with its state."""

    def __init__(self, coro, core=None):
        global _core
        self.coro = coro
        self.data = None
        self.state = True
        self.ph_key = 0
        self.behind = None
        if core is not None:
            _core = core

    def done(self):
        """Tell whether the coroutine has ended."""
        return not self.state and not isinstance(self.state, TaskQueue)

    def __iter__(self):
        if self.done():
            self.state = False
        elif self.state is True:
            self.state = TaskQueue()
        elif not isinstance(self.state, TaskQueue):
            raise RuntimeError("can't wait")
        return self

    def __next__(self):
        if self.done():
            raise self.data
        waiting = _core["cur_task"]
        self.state.push(waiting)
        waiting.data = self

    def cancel(self):
        """Let the coroutine, or what it waits for, end with CancelledError; return False where it has ended."""
        if self.done():
            return False
        if self is _core["cur_task"]:
            raise RuntimeError("can't cancel self")
        task = self
        while isinstance(task.data, Task):
            task = task.data
        queue = _core["_task_queue"]
        if hasattr(task.data, "remove"):
            task.data.remove(task)
            queue.push(task)
        elif ticks_diff(task.ph_key, ticks_ms()) > 0:
            queue.remove(task)
            queue.push(task)
        task.data = _core["CancelledError"]
        return True
