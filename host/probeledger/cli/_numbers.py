"""Numbers on the command line: one clear sentence where one has no meaning."""

import math
import sys
from collections.abc import Iterator, Sequence
from typing import Any

import click

from probeledger.errors import InputError
from probeledger.text import clean

__all__ = ["Number", "from_stdin"]


class Number(click.ParamType):
    """A finite number with its unit and limits.

    Args:
        what: what it is, as the sentence names it ("resistance").
        unit: its unit, as the sentence names it ("ohm").
        least, most: inclusive limits in that unit; None for none.
        above: exclusive lower limit in that unit; None for none.
        stdin: accept "-", which stands for "read values from standard input".
        hint: a sentence added where the value is no number.
    """

    def __init__(
        self,
        what: str,
        unit: str,
        least: float | None = None,
        most: float | None = None,
        above: float | None = None,
        stdin: bool = False,
        hint: str = "",
    ) -> None:
        self.what = what
        self.unit = unit
        self.least = least
        self.most = most
        self.above = above
        self.stdin = stdin
        self.hint = hint
        self.name = unit

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number, or "-" where that is accepted."""
        if isinstance(value, float):
            return value
        text = str(value).strip()
        if self.stdin and text == "-":
            return text
        try:
            return self.parse(text)
        except InputError as error:
            self.fail(error.message, param, ctx)

    def parse(self, text: str) -> float:
        """Return the number of a text. Raises InputError in one sentence."""
        hint = " " + self.hint if self.hint else ""
        try:
            # A comma is how half the world types a decimal point.
            number = float(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
        except ValueError:
            raise InputError(
                f"{clean(text, 40)!r} is not a number; give the {self.what} in {self.unit}, like 1085.7.{hint}"
                if self.unit == "ohm"
                else f"{clean(text, 40)!r} is not a number; give the {self.what} in {self.unit}.{hint}"
            ) from None
        if not math.isfinite(number):
            raise InputError(f"The {self.what} must be a finite number of {self.unit}, not {text}.{hint}")
        if self.above is not None and number <= self.above:
            raise InputError(f"The {self.what} must be above {self.above:g} {self.unit}, not {number:g}.")
        if self.least is not None and self.most is not None and not self.least <= number <= self.most:
            raise InputError(
                f"The {self.what} must be from {self.least:g} to {self.most:g} {self.unit}, not {number:g}.{hint}"
            )
        if self.least is not None and number < self.least:
            raise InputError(f"The {self.what} must be at least {self.least:g} {self.unit}, not {number:g}.")
        if self.most is not None and number > self.most:
            raise InputError(f"The {self.what} must be at most {self.most:g} {self.unit}, not {number:g}.")
        return number


def from_stdin(values: Sequence[Any], kind: Number) -> Iterator[float]:
    """Return the values, each "-" replaced by those on standard input, one a line; empty lines are skipped."""
    for value in values:
        if value != "-":
            yield value
            continue
        for number, line in enumerate(sys.stdin, start=1):
            text = line.strip()
            if text:
                try:
                    yield kind.parse(text)
                except InputError as error:
                    raise InputError(f"Line {number} of standard input: {error.message}") from None
