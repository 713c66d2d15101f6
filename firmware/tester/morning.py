"""The morning check on the display: what to clip on next, what was found, and what is kept of it."""

from guided import morningcheck
from parts import buzzer
from probecore.errors import ProbeError
from screen import pages

# What the end of a check means to the ear and for the ledger; the panel draws faults and refusals itself.
_UNSAVED = "not kept"


class Morning:
    """One check from its first page to its last; the panel hands it the keys meanwhile."""

    def __init__(self, tester):
        """tester: Tester that can measure."""
        self._tester = tester
        self._canvas = tester.canvas
        self._shown = None
        self._done = 0
        self._check = morningcheck.MorningCheck(
            tester.instruments,
            tester.calibration,
            tester.checks.setup,
            tester.checks.past(tester.calibration.id),
            self._progress,
        )
        self.cancel = self._check.cancel
        self.take = self._check.take

    async def run(self):
        """Run the check, keep it and show its end. Returns whether a record could not be saved."""
        tester = self._tester
        canvas = self._canvas
        async with tester.measuring:
            body = await self._check.run()
        if body is None:
            text = "The check was stopped. Nothing was saved."
            if self._check.ended == morningcheck.TIMED_OUT:
                text = "Three minutes are over. Nothing was saved. Begin again with everything at hand."
            pages.message(canvas, "Stopped", text)
            tester.buzzer.play(buzzer.REFUSED)
            return False
        sequence = None
        reason = ""
        try:
            sequence = await tester.keep("check", body)
        except ProbeError as error:
            reason = error.code
        if not body["foreign"]:
            async with tester.quiet:
                kept = tester.checks.done(body, sequence, tester.calibration.id)
            if not kept and not reason:
                reason = _UNSAVED
        self._show(body, sequence, reason)
        return bool(reason)

    def _show(self, body, sequence, reason):
        tester = self._tester
        sound = buzzer.SAVED if sequence else buzzer.UNSAVED
        if body["foreign"]:
            pages.stop_voltage(self._canvas, body["foreign"].get("at"), sequence)
            sound = buzzer.STOP
        elif body["fault"]:
            pages.fault(self._canvas, "Fault", body["fault_text"], sequence)
            sound = buzzer.REFUSED
        else:
            if sequence and not body["passed"]:
                sound = buzzer.FAIL
            pages.check_result(self._canvas, body, sequence)
        tester.buzzer.play(sound)

    def _progress(self, step, results, hint, ohms):
        """Draw the next thing to do; called after each look. A step that was done is heard."""
        if len(results) > self._done:
            self._done = len(results)
            self._tester.buzzer.play(buzzer.ATTENTION)
        shown = (step, self._done, hint, ohms)
        if shown != self._shown and step:
            self._shown = shown
            pages.check(self._canvas, step, results, hint, ohms, self._tester.checks.setup)
