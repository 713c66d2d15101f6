"""Read the bake logs out of a tester's records.

A log is a row of records of the kind "bake": the first begins it, each further one holds a chunk of seconds, the last
says why it ended. What is missing, a chunk that was never saved or a second without a reading, is a gap; what cannot be
meant is refused with the record's number.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from probecore import bake
from probecore.errors import StoredDataError
from probeledger.baking import logfile
from probeledger.errors import InputError
from probeledger.text import clean

if TYPE_CHECKING:
    from numpy import float64
    from numpy.typing import NDArray

__all__ = ["PulledLog", "bake_log", "choose", "logs"]

# Far beyond the 12 h and the five minutes of the tester, and nothing that memory would notice.
_MOST_SECONDS = 48 * 3600
_MOST_IN_CHUNK = 4000


@dataclass(frozen=True)
class PulledLog:
    """One log as its records tell it.

    Attributes:
        ledger: id of the ledger.
        log: number of its first record in that ledger.
        seconds: 0, 1, 2 ... since the log began [s], shape (n,).
        celsius: temperature in each of them [degC], not a number where there is none, shape (n,).
        ended: why it ended (docs/formats.md), None where its end is not among the records.
        planned_s: how long it was meant to be [s], None where its first record is not among them.
        curve, curve_id: of the reference probe; the id is None for a built-in one.
        job: number of the tester's job, or None.
        began_s: when it began [s since 1970, UTC], None where the tester's clock was not set.
        records: numbers of its records, rising.
        lost_parts: how many parts are missing between the first and the last one.
    """

    ledger: bytes
    log: int
    seconds: NDArray[float64]
    celsius: NDArray[float64]
    ended: str | None
    planned_s: int | None
    curve: str
    curve_id: str | None
    job: int | None
    began_s: int | None
    records: tuple[int, ...]
    lost_parts: int


def logs(records: Iterable[Mapping[str, Any]]) -> list[PulledLog]:
    """Return the bake logs among records.

    Args:
        records: as `probecore.record.decode` gives them, of any kinds and ledgers, in any order.

    Returns:
        The logs in the order of ledger and first record.

    Raises:
        InputError: a record of the kind "bake" is damaged; the message names it.
    """
    found: dict[tuple[bytes, int], dict[int, Mapping[str, Any]]] = {}
    for value in records:
        if value.get("kind") == "bake":
            first = _whole(value, "log", 1, 1 << 40)
            part = _whole(value, "part", 0, _MOST_SECONDS)
            found.setdefault((value["ledger"], first), {}).setdefault(part, value)
    return [_log(*key, [parts[number] for number in sorted(parts)]) for key, parts in sorted(found.items())]


def choose(found: list[PulledLog], log: int | None = None, job: int | None = None) -> PulledLog:
    """Return the one log that is meant.

    Args:
        found: from `logs`.
        log: number of its first record, or None.
        job: number of its job, or None.

    Returns:
        The log.

    Raises:
        InputError: there is none, or more than one; the message lists what there is.
    """
    fitting = [one for one in found if (log is None or one.log == log) and (job is None or one.job == job)]
    if len(fitting) == 1:
        return fitting[0]
    if not found:
        raise InputError("There is no bake log among these records.")
    listed = ", ".join(f"no. {one.log} of job {one.job or '?'}" for one in (fitting or found)[:8])
    if not fitting:
        raise InputError(f"No bake log fits; there are {listed}.")
    raise InputError(f"{len(fitting)} bake logs fit: {listed}. Name one by its number.")


def bake_log(pulled: PulledLog) -> logfile.BakeLog:
    """Return a pulled log as the readings that the analysis takes. Raises InputError where too few are there."""
    return logfile.from_arrays(pulled.seconds, pulled.celsius)


def _log(ledger: bytes, log: int, parts: list[Mapping[str, Any]]) -> PulledLog:
    import numpy as np

    length = max(_whole(part, "first_s", 0, _MOST_SECONDS) + _seconds(part) for part in parts)
    celsius = np.full(length, np.nan)
    end_s = 0
    for part in parts:
        body = part["body"]
        first_s = body["first_s"]
        if first_s < end_s:
            raise _damaged(part, f"it begins at {first_s} s, and the part before ends at {end_s} s")
        end_s = first_s + _seconds(part)
        celsius[first_s:end_s] = _temperatures(part)
    bodies = [part["body"] for part in parts]
    last_part = bodies[-1]["part"]
    ended = bodies[-1].get("ended")
    planned_s, job = bodies[0].get("planned_s"), bodies[0].get("job")
    curve_id = bodies[0].get("curve_id")
    return PulledLog(
        ledger=ledger,
        log=log,
        seconds=np.arange(length, dtype=np.float64),
        celsius=celsius,
        ended=clean(ended, 40) if ended is not None else None,
        planned_s=planned_s if _is_whole(planned_s) else None,
        curve=clean(bodies[0].get("curve"), 40),
        curve_id=clean(curve_id, 40) if curve_id is not None else None,
        job=job if _is_whole(job) else None,
        began_s=_began_s(parts[0]),
        records=tuple(part["seq"] for part in parts),
        lost_parts=last_part + 1 - len(parts),
    )


def _began_s(part: Mapping[str, Any]) -> int | None:
    """Return when a log began by the clock [s since 1970], None where that is not known."""
    begun_ms = part["body"].get("begun_ms")
    if part.get("time") is None or not _is_whole(begun_ms):
        return None
    began: int = part["time"] - round((part["ms"] - begun_ms) / 1000)
    return began


def _temperatures(part: Mapping[str, Any]) -> NDArray[float64]:
    import numpy as np

    body = part["body"]
    base, data = body.get("base_centicelsius"), body.get("differences")
    if not isinstance(data, bytes) or (base is not None and (not _is_whole(base) or abs(base) > 1 << 22)):
        raise _damaged(part, "it has no temperatures")
    try:
        values = bake.decode(base, data, _seconds(part))
    except StoredDataError as error:
        raise _damaged(part, error.message[:1].lower() + error.message[1:].rstrip(".")) from None
    return np.array([np.nan if value is None else value / 100 for value in values], dtype=np.float64)


def _seconds(part: Mapping[str, Any]) -> int:
    return _whole(part, "seconds", 0, _MOST_IN_CHUNK)


def _whole(part: Mapping[str, Any], name: str, least: int, most: int) -> int:
    """Return a whole number of a record's body."""
    value = part["body"].get(name)
    if not _is_whole(value) or not least <= value <= most:
        raise _damaged(part, f"its {name} is {clean(value, 30) or 'missing'}")
    number: int = value
    return number


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _damaged(part: Mapping[str, Any], what: str) -> InputError:
    return InputError(
        f"Record {part.get('seq')} is a part of a bake log that cannot be read: {what}. Pull the ledger again; "
        "where it stays, the tester wrote it so."
    )
