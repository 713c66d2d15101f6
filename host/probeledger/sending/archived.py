"""The curves and limits that testers were sent, as their records in the archive hold them.

A test's record names them by id. The id is a digest of the whole definition, so it does not matter which tester's
record tells it; a definition that does not have its id is left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any

from probecore import cbor, definition
from probecore.curves import PlatinumCurve
from probecore.errors import ProbeError
from probecore.ladder import LadderCurve
from probeledger.archive import Archive, Search

__all__ = ["Definitions", "of_bodies"]


class Definitions:
    """What can be looked up by id; an archive is searched when the first is asked for."""

    def __init__(self, archive: Archive) -> None:
        """archive: open for as long as something is looked up."""
        self._archive = archive

    def curve(self, wanted: str) -> PlatinumCurve | LadderCurve | None:
        """Return the curve of an id, None where the archive does not have it."""
        return self._curves.get(wanted)

    def limits(self, wanted: str) -> Mapping[str, Any] | None:
        """Return the complete limits of an id, None where the archive does not have them."""
        return self._limits.get(wanted)

    @cached_property
    def _curves(self) -> dict[str, PlatinumCurve | LadderCurve]:
        return of_bodies(definition.CURVE, self._bodies(definition.CURVE))

    @cached_property
    def _limits(self) -> dict[str, Mapping[str, Any]]:
        return of_bodies(definition.LIMITS, self._bodies(definition.LIMITS))

    def _bodies(self, kind: str) -> list[Mapping[str, Any]]:
        return [record.body for record in self._archive.search(Search(kind=kind))]


def of_bodies(kind: str, bodies: list[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what the bodies of records of a kind define, by id; what is damaged is left out."""
    found: dict[str, Any] = {}
    for body in bodies:
        stored = body.get("definition")
        if not isinstance(stored, dict):
            continue
        try:
            data = cbor.dumps(stored)
            made = definition.read(kind, data)
        except (ProbeError, ValueError, TypeError, ArithmeticError, AttributeError):
            continue
        found[definition.identity(data)] = made
    return found
