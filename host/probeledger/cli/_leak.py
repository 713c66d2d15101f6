"""A lead's isolation from the chassis, as it is typed in."""

from typing import Any

import click

from probeledger.errors import InputError

__all__ = ["Leak"]


class Leak(click.ParamType):
    """A leak to the chassis: ohms, a lower limit, or a meter's open reading."""

    name = "ohm"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from probeledger.judging import typed

        try:
            return typed.parse_leak(str(value), f"lead {'b' if param and param.name == 'leak_b' else 'a'}")
        except InputError as error:
            self.fail(error.message, param, ctx)
