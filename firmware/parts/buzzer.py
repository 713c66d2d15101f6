"""The buzzer: a few sounds that cannot be mistaken for each other."""

from asyncio import create_task, sleep_ms

from machine import PWM, Pin

# Each sound: pairs of (pitch [Hz], length [ms]); pitch 0 is a pause.
SAVED: tuple = ((2000, 120),)
FAIL: tuple = ((500, 250), (0, 80), (500, 250))
STOP: tuple = ((2600, 90), (1300, 90)) * 8
# Done, and not kept: nothing that sounds like the one for saved.
UNSAVED: tuple = ((900, 90), (0, 60), (900, 90), (0, 60), (900, 90))
REFUSED: tuple = ((300, 400),)
ATTENTION: tuple = ((1500, 40), (1700, 60))


class Buzzer:
    """Plays one sound at a time; a new one ends the one before."""

    def __init__(self, pin):
        """pin: number of the pin."""
        self._pin = pin
        self._pwm = None
        self._number = 0

    def play(self, sound):
        """Start a sound and return at once."""
        self.silent()
        self._number += 1
        create_task(self._run(sound, self._number))

    async def _run(self, sound, number):
        for hz, ms in sound:
            if hz:
                self._pwm = PWM(Pin(self._pin), freq=hz, duty_u16=32768)
            await sleep_ms(ms)
            if number != self._number:
                return
            self.silent()

    def silent(self):
        """Stop sounding and hold the pin low."""
        if self._pwm is not None:
            self._pwm.deinit()
            self._pwm = None
            Pin(self._pin, Pin.OUT, value=0)
