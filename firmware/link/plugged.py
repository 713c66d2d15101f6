"""The link while the USB plug is in; without it no tester talks, and a probe test has the memory to itself."""

from asyncio import CancelledError, create_task, sleep_ms

from aside import Aside
from micropython import const

_LOOK_MS = const(200)


async def serve(tester):
    """Serve whenever the plug is in, for ever. What came in half before the plug was pulled is forgotten."""
    while True:
        if tester.power.usb():
            with Aside("link.service") as link:
                await _while_plugged(tester, link.Service(tester))
        await sleep_ms(_LOOK_MS)


async def _while_plugged(tester, service):
    task = create_task(service.task())
    try:
        while tester.power.usb() and not task.done():
            await sleep_ms(_LOOK_MS)
    finally:
        task.cancel()
        try:
            # A request under way ends here, its drivers off; a service that failed raises what it failed with.
            await task
        except CancelledError:
            pass
