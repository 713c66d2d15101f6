"""The day's tickets: read from a shop's CSV file, and kept by a tester in place of the list before.

Columns, in any order: ticket, and if wanted appliance, model, serial, cavity, message, present_offset_celsius. All but
the number and the offset are free text. The tester keeps the number and a label made of appliance and cavity; the rest
stays with the shop.
"""

from __future__ import annotations

import binascii
import csv
import difflib
import io
import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from probecore import tickets as core
from probeledger.errors import DeviceError, InputError
from probeledger.link.session import Session
from probeledger.sending.offering import ANSWER_S, PART_BYTES
from probeledger.text import clean, plural

__all__ = ["COLUMNS", "Held", "Ticket", "held", "label", "load", "mark_of", "read", "send", "send_mark"]

COLUMNS = ("ticket", "appliance", "model", "serial", "cavity", "message", "present_offset_celsius")
_TEXTS = COLUMNS[1:-1]
_MOST_TEXT_CHARACTERS = 200
_MOST_FILE_BYTES = 1_000_000
# A control's own offset is some 19 degC at most (common practice, no source); a value beyond this is a slip.
_MOST_OFFSET_CELSIUS = 60.0
_NO_MARK = "-"


@dataclass(frozen=True)
class Ticket:
    """One row: the job's number and what the shop knows of it; None where the file says nothing."""

    number: str
    appliance: str | None = None
    model: str | None = None
    serial: str | None = None
    cavity: str | None = None
    message: str | None = None
    present_offset_celsius: float | None = None


@dataclass(frozen=True)
class Held:
    """What a tester holds: its tickets as (number, label), the technician's mark, and slots that cannot be read."""

    tickets: tuple[tuple[str, str], ...]
    mark: str | None
    damaged_slots: int


def load(path: Path) -> list[Ticket]:
    """Return the tickets of a file.

    Args:
        path: of a CSV file in UTF-8.

    Returns:
        Its tickets in their order, at least one.

    Raises:
        InputError: it cannot be read, or see `read`.
    """
    shown = clean(path, 200)
    try:
        if path.stat().st_size > _MOST_FILE_BYTES:
            raise InputError(f"{shown} is larger than a day's tickets can be; check that it is the right file.")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InputError(f"{shown} cannot be read: {error.strerror}.") from None
    except UnicodeDecodeError:
        raise InputError(f"{shown} is not text in UTF-8; save it as CSV UTF-8.") from None
    return read(text, shown)


def read(text: str, shown: str) -> list[Ticket]:
    """Return the tickets of a file's text.

    Args:
        text: CSV with a heading; commas, or semicolons or tabs; lines that begin with # are left out.
        shown: how a message names the file.

    Returns:
        The tickets in the order of their rows.

    Raises:
        InputError: one sentence: which line, what was seen, what would be right.
    """
    rows = _rows(text, shown)
    heading = [cell.strip() for cell in rows[0][1]]
    _check_heading(heading, shown)
    found: list[Ticket] = []
    lines: dict[str, int] = {}
    for line, row in rows[1:]:
        where = f"{shown}, line {line}"
        if len(row) != len(heading):
            raise InputError(
                f"{where}: {plural(len(row), 'value')} where the heading has {len(heading)}; put a text with a "
                "separator in it into double quotes."
            )
        ticket = _ticket({name: cell.strip() for name, cell in zip(heading, row, strict=True)}, where)
        if ticket.number in lines:
            raise InputError(f"{where}: the ticket {ticket.number} stands on line {lines[ticket.number]} already.")
        lines[ticket.number] = line
        found.append(ticket)
    if not found:
        raise InputError(f"{shown} has a heading and no ticket below it; nothing was sent.")
    return found


def _rows(text: str, shown: str) -> list[tuple[int, list[str]]]:
    """Return the rows that say something, each with the number of its last line."""
    text = text.removeprefix("\ufeff")
    first = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    if not first:
        raise InputError(f"{shown} is empty; it needs a heading with the column ticket.")
    delimiter = ";" if ";" in first else "\t" if "\t" in first else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows = []
    try:
        for row in reader:
            if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#"):
                rows.append((reader.line_num, row))
    except csv.Error as error:
        raise InputError(f"{shown} is not a CSV file, line {reader.line_num}: {clean(error, 80)}.") from None
    if not rows:
        raise InputError(f"{shown} is empty; it needs a heading with the column ticket.")
    return rows


def _check_heading(heading: list[str], shown: str) -> None:
    unknown = [name for name in heading if name not in COLUMNS]
    if unknown:
        near = difflib.get_close_matches(unknown[0], COLUMNS, n=1, cutoff=0.6)
        names = ", ".join(clean(name, 40) or "(no name)" for name in unknown)
        hint = f"did you mean {near[0]}?" if near and near[0] not in heading else f"there are {', '.join(COLUMNS)}."
        raise InputError(f"{shown} has unknown columns: {names}; {hint}")
    twice = [name for name in COLUMNS if heading.count(name) > 1]
    if twice:
        raise InputError(f"{shown} has the column {twice[0]} twice; keep one.")
    if "ticket" not in heading:
        raise InputError(f"{shown} has no column ticket, in which the job's number stands.")


def _ticket(cells: dict[str, str], where: str) -> Ticket:
    number = cells["ticket"]
    if not core.is_number(number):
        seen = f"not {clean(number, 40)!r}" if number else "and here is none"
        raise InputError(
            f"{where}: a ticket is 1 to {core.MOST_NUMBER_CHARACTERS} digits, letters A to Z and dashes, {seen}."
        )
    texts: dict[str, str | None] = {}
    for name in _TEXTS:
        value = cells.get(name) or None
        if value and len(value) > _MOST_TEXT_CHARACTERS:
            raise InputError(
                f"{where}: {name} has {len(value)} characters, {_MOST_TEXT_CHARACTERS} are the most; shorten it."
            )
        texts[name] = clean(value) if value else None
    ticket = Ticket(number, present_offset_celsius=_offset(cells.get("present_offset_celsius"), where), **texts)
    shown = label(ticket)
    if len(shown) > core.MOST_LABEL_CHARACTERS:
        raise InputError(
            f"{where}: appliance and cavity make the label {shown!r} of {len(shown)} characters; the tester's display "
            f"has {core.MOST_LABEL_CHARACTERS}. Shorten them."
        )
    return ticket


def _offset(text: str | None, where: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not abs(value) <= _MOST_OFFSET_CELSIUS:
        raise InputError(
            f"{where}: present_offset_celsius has to be a number of degrees C from -{_MOST_OFFSET_CELSIUS:g} to "
            f"{_MOST_OFFSET_CELSIUS:g}, not {clean(text, 40)!r}."
        )
    return value


def label(ticket: Ticket) -> str:
    """Return what the tester's display calls a ticket: appliance and cavity in its characters, "" for neither.

    Accents are left out, and a question mark stands for what the display does not have.
    """
    text = " ".join(clean(part) for part in (ticket.appliance, ticket.cavity) if part)
    plain = [each for each in unicodedata.normalize("NFKD", text) if not unicodedata.combining(each)]
    return "".join(each if " " <= each <= "~" else "?" for each in plain)


def mark_of(text: str) -> str:
    """Return a technician's mark as a tester keeps it. Raises InputError where it cannot be one; "" forgets it."""
    mark = text.strip()
    if not core.is_shown(mark, core.MOST_MARK_CHARACTERS) or mark == _NO_MARK:
        raise InputError(
            f"A technician's mark is at most {core.MOST_MARK_CHARACTERS} letters, digits and signs of plain ASCII, not "
            f"{clean(text, 40)!r}."
        )
    return mark


def held(session: Session) -> Held:
    """Ask a tester for its tickets and mark, which it reads from its flash for that.

    Args:
        session: greeted.

    Returns:
        What it holds.

    Raises:
        DeviceError: it does not know the question, or its answer makes no sense.
    """
    answer = session.call("tickets", timeout_s=ANSWER_S)
    try:
        listed = tuple((str(entry[0]), str(entry[1])) for entry in answer["tickets"][: core.MOST])
        mark = answer["mark"]
        return Held(listed, None if mark is None else str(mark), int(answer["damaged_slots"]))
    except (KeyError, TypeError, IndexError, ValueError):
        raise DeviceError("The tester's answer on its tickets makes no sense. Update its firmware.") from None


def send(session: Session, tickets: Sequence[Ticket]) -> Held:
    """Let a tester keep tickets in place of those that it has, and read them back.

    Args:
        session: greeted.
        tickets: at least one.

    Returns:
        What the tester holds now: these tickets.

    Raises:
        InputError: they are too many.
        DeviceError: the tester refuses, or holds something else than was sent.
    """
    if len(tickets) > core.MOST:
        raise InputError(
            f"{len(tickets)} tickets are more than the {core.MOST} that a tester keeps; send the day's only. Nothing "
            "was changed."
        )
    wanted = tuple((each.number, label(each)) for each in tickets)
    data = core.dump(wanted)
    for number in range(-(-len(data) // PART_BYTES)):
        session.call("offer-part", number, data[number * PART_BYTES : (number + 1) * PART_BYTES].hex())
    session.call("tickets", f"{binascii.crc32(data):08x}", timeout_s=ANSWER_S)
    after = held(session)
    if after.tickets != wanted:
        raise DeviceError(
            f"The tester gives other tickets back than it was sent ({len(after.tickets)} of {len(wanted)}). Send them "
            "again, and do not rely on its list."
        )
    return after


def send_mark(session: Session, mark: str) -> Held:
    """Let a tester keep a technician's mark, and read it back.

    Args:
        session: greeted.
        mark: as `mark_of` returns it; "" forgets the one before.

    Returns:
        What the tester holds now.

    Raises:
        DeviceError: the tester refuses, or holds another mark than was sent.
    """
    session.call("mark", mark.encode().hex() or _NO_MARK, timeout_s=ANSWER_S)
    after = held(session)
    if (after.mark or "") != mark:
        raise DeviceError("The tester gives another mark back than it was sent. Send it again.")
    return after
