"""What takes longer than a test, behind a held OK on the home page: the guided test, or a bake log."""

from aside import Aside
from parts.keys import NEXT, OK
from screen import pages


async def choose(tester, visit, functions, any_key, refused, bake):
    """Let the person choose, and see it through to the way home.

    functions: the panel's, as guiding.Hands has them; any_key, bake: coroutine functions; refused: coroutine function
    that says why nothing can be measured, or returns False.
    """
    text = "OK: the guided test, step by step. NEXT: a bake log, which needs the oven on."
    pages.message(tester.canvas, "What now?", text, "home", "GUIDED", "bake log")
    key, _ = await any_key()
    if key == NEXT:
        await bake()
    elif key == OK and not await refused():
        with Aside("tester.guiding") as guiding:
            await guiding.Guiding(tester, visit, guiding.Hands(*functions)).run()
