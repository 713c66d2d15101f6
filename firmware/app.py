"""The tester's program: put the parts together, record the start, then run keys, panel and link side by side.

A task that fails is not silent: the failure is shown, kept as a fault record, and the task begins again.
Ctrl-C ends everything with the drivers off and leaves to MicroPython's prompt.
"""

import asyncio
import io
import sys

from aside import Aside
from link import plugged
from parts.fault import PartError
from probecore.errors import ProbeError
from screen import pages
from tester.assembly import Tester, make_canvas
from tester.panel import Panel

_PAUSE_MS = 1000
_TRACE_CHARACTERS = 400


async def guard(tester, panel, name, make):
    """Run a task for ever; record and show each failure.

    name: text for the record; make: function that returns the task's coroutine.
    """
    while True:
        try:
            await make()
            return
        except Exception as error:
            trace = io.StringIO()
            sys.print_exception(error, trace)
            body = {
                "task": name,
                "error": type(error).__name__,
                "text": str(error)[:160],
                "trace": trace.getvalue()[-_TRACE_CHARACTERS:],
            }
            if tester.front:
                tester.front.off()
            saved = None
            try:
                saved = await tester.keep("fault", body)
            except (ProbeError, OSError):
                pass  # shown below without a number
            panel.show_fault("Program fault", "%s: %s" % (name, body["error"]), saved)
            await asyncio.sleep_ms(_PAUSE_MS)


async def main(tester):
    """Record the start, then serve for ever."""
    try:
        with Aside("tester.shelf") as shelf:
            shelf.begin(tester)
            # A change of calibration that a cut left without its record; the start's own record names the set already.
            await tester.in_force.complete(tester.keep)
            await shelf.finish(tester)
        await tester.keep("boot", tester.boot_body())
    except (ProbeError, OSError):
        pass  # the panel's warning line says that nothing is saved
    panel = Panel(tester)
    await asyncio.gather(
        guard(tester, panel, "keys", lambda: tester.keys.task(panel.press)),
        guard(tester, panel, "panel", panel.task),
        guard(tester, panel, "link", lambda: plugged.serve(tester)),
    )


def run():
    """Run the tester's program until Ctrl-C."""
    asyncio.new_event_loop()
    tester = None
    try:
        tester = Tester()
        asyncio.run(main(tester))
    except Exception as error:
        show_start_failure(error)
        raise
    finally:
        if tester:
            if tester.front:
                tester.front.off()
            tester.buzzer.silent()


def show_start_failure(error):
    """Say on the display that the program did not come up; the prompt has the details."""
    try:
        pages.fault(make_canvas(), "Start failed", "%s: %s" % (type(error).__name__, error))
    except PartError:
        pass  # no display either: the prompt is what is left
