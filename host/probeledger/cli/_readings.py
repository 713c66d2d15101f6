"""Readings as they are typed in: a resistance, and a lead's isolation from the chassis."""

from typing import Any

import click

from probeledger.errors import InputError

__all__ = ["Leak", "Reading"]


class Reading(click.ParamType):
    """A resistance, with k or M behind it where it suits; where it may be open, the word for a meter's open reading."""

    name = "ohm"

    def __init__(self, may_be_open: bool = False) -> None:
        """may_be_open: whether "open" is an answer."""
        self._may_be_open = may_be_open

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from probeledger.judging import typed

        text = str(value).strip()
        if self._may_be_open and text.lower() in ("open", "ol", "o.l", "o.l."):
            return "open"
        try:
            ohms = typed.parse_ohms(text)
            if ohms > 0.0 or self._may_be_open:
                return ohms
        except ValueError:
            pass
        least, also = ("from 0 up", "; where the meter shows an open circuit (OL), give 'open'")
        if not self._may_be_open:
            least, also = "above 0", ""
        self.fail(
            f"the resistance must be a finite number of ohms {least}, like 1085.7 or 1.0857k, not {text[:40]!r}{also}.",
            param,
            ctx,
        )


class Leak(click.ParamType):
    """A leak to the chassis: ohms, a lower limit, or a meter's open reading."""

    name = "ohm"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from probeledger.judging import typed

        try:
            return typed.parse_leak(str(value), f"lead {'b' if param and param.name == 'leak_b' else 'a'}")
        except InputError as error:
            self.fail(error.message, param, ctx)
