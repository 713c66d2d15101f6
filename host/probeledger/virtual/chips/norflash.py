"""A 25-series SPI NOR flash: reading, page programming, erasing, with its real times and its half-done states.

Sources: the W25Q32 data sheet (revision J, 2013) for instructions, times and status registers, from memory; JEDEC
JESD216 for the discoverable parameters. Programming can only clear bits; erasing sets a sector's bits.

The image lives in a file that is written through, so that the content outlives the process. A supply that goes away
during an operation leaves a page or a sector half done; bits that were on their way then read differently each time,
until they are programmed or erased anew (the file keeps one of their readings).

`faults` holds what may be wrong with the chip, for tests of who lives with it.
"""

from __future__ import annotations

import math
import os
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from .norflash_tables import protected_range, sfdp

SPI_READ_HZ_MAX = 50_000_000
SPI_HZ_MAX = 104_000_000
# tRES1 and tDP, each "at most"; the time that writing a status register takes, typical and longest.
WAKE_US = 3
POWER_DOWN_US = 3
STATUS_WRITE_US = (10_000, 15_000)
# Protection and status-protect bits of register 1 that can be written.
STATUS_BITS = 0xFC
# Of the bits that an operation changes, how many stand between when it is cut off: this share to either side.
LOOSE_SHARE = 0.03
BLOCKS = {0x20: 4096, 0x52: 32768, 0xD8: 65536}


class FlashImageError(Exception):
    """Say that the file with the flash's content cannot be used."""


@dataclass
class Faults:
    """Say what is wrong with a flash chip. All of it may change at any time.

    Attributes: `stuck` maps an address to (mask, value): these bits of a cell read so whatever is done to them;
    `busy_for_ever`: an operation that begins never ends; `writes_lost`: programs and erases take their time and change
    nothing; `refuses_enable`: write enable has no effect, as with the write-protect pin low and protection on.
    """

    stuck: dict[int, tuple[int, int]] = field(default_factory=dict)
    busy_for_ever: bool = False
    writes_lost: bool = False
    refuses_enable: bool = False


class NorFlash:
    """Be one 25-series flash.

    Args: `image` is the file with its content (made, all ones, where it is missing), `figures` the table
    [chips.flash] of the tester's description, `now_us` the simulated time [us], `seed` feeds torn operations.
    Attribute `before_operation`, where set, is called with ("program" | "erase", address, bytes or length) before an
    operation takes effect; an exception from it passes to the caller and leaves the operation undone. Attribute
    `slow`: operations take the sheet's longest times instead of the typical ones.
    """

    def __init__(self, image: Path, figures: Mapping[str, Any], now_us: Callable[[], int], seed: int = 0) -> None:
        self._now_us = now_us
        self._jedec = bytes(figures["jedec"])
        self.size_bytes = int(figures["bytes"])
        self._page_bytes = int(figures["page_bytes"])
        self._program_us = (1e3 * float(figures["page_program_ms"]), 1e3 * float(figures["page_program_ms_max"]))
        self._erase_us = (1e3 * float(figures["sector_erase_ms"]), 1e3 * float(figures["sector_erase_ms_max"]))
        self._sfdp = sfdp(self.size_bytes, *self._program_us, *self._erase_us, WAKE_US)
        self.slow = False
        self.faults = Faults()
        self._random = random.Random(seed ^ 0xF1A54)
        self.before_operation: Callable[[str, int, bytes | int], None] | None = None
        self.powered = True
        self.programs = 0
        self.erases = 0
        self.clock_violations = 0
        self.mode_violations = 0
        # Commands while busy, programs without write enable: the firmware should never do it.
        self.misuses: list[str] = []
        self.content = self._open(image)
        # Address -> mask of the bits that stand between the two states.
        self._loose: dict[int, int] = {}
        self._protect = 0
        self._forget()

    def _open(self, image: Path) -> bytearray:
        self._file = os.open(image, os.O_RDWR | os.O_CREAT, 0o600)
        length = os.fstat(self._file).st_size
        if length == 0:
            content = bytearray(b"\xff" * self.size_bytes)
            os.pwrite(self._file, content, 0)
            return content
        if length != self.size_bytes:
            os.close(self._file)
            raise FlashImageError(
                f"{image} holds {length} bytes, but the tester's flash has {self.size_bytes}; "
                "use another state folder or remove the file."
            )
        return bytearray(os.pread(self._file, self.size_bytes, 0))

    def close(self) -> None:
        """Sync and close the image file."""
        if self._file >= 0:
            self.save()
            os.close(self._file)
            self._file = -1

    def save(self) -> None:
        """Sync the image file; its content is always up to date."""
        if self._file >= 0:
            os.fsync(self._file)

    def _forget(self) -> None:
        self._selected = False
        self._status_2 = 0x00
        self._write_enabled = False
        self._volatile_enabled = False
        self._asleep = False
        self._awake_from_us = 0
        self._busy_until_us = 0.0
        self._begun_us = 0.0
        self._torn: tuple[str, int, bytes] | None = None
        self._reset_enabled = False
        self._frame = bytearray()

    # ------------------------------------------------------------ supply

    def power_on(self) -> None:
        """Come up after the supply."""
        self._forget()
        self.powered = True

    def power_off(self) -> None:
        """Lose the supply; an operation under way is left half done."""
        if self.powered and self.busy and self._torn is not None:
            kind, address, before = self._torn
            share = (self._now_us() - self._begun_us) / (self._busy_until_us - self._begun_us)
            after = self.content[address : address + len(before)]
            mixed = bytearray(before)
            for k, (old, new) in enumerate(zip(before, after, strict=True)):
                # All cells of a sector or page are worked on at once: bits get there one by one, and those whose turn
                # it was stand between.
                for bit in range(8):
                    if (old ^ new) >> bit & 1:
                        turn = self._random.random() - share
                        mixed[k] ^= (turn < 0) << bit
                        if abs(turn) < LOOSE_SHARE:
                            self._loose[address + k] = self._loose.get(address + k, 0) | 1 << bit
            self._store(address, bytes(mixed))
        self.powered = False
        self._torn = None

    # ------------------------------------------------------------ serial interface

    @property
    def busy(self) -> bool:
        """Tell whether a program or erase is under way."""
        return self._now_us() < self._busy_until_us

    def next_event_us(self) -> int | None:
        """Return when the operation under way ends [us], or None."""
        return int(self._busy_until_us) + 1 if self.busy and self._busy_until_us < math.inf else None

    def select(self, selected: bool) -> None:
        """Follow the chip select pin; an instruction takes effect when it goes high."""
        if selected == self._selected:
            return
        self._selected = selected
        if selected:
            self._frame = bytearray()
        elif self.powered and self._frame:
            self._execute()

    def transfer(self, data: bytes, hz: int, polarity: int, phase: int) -> bytes:
        """Clock `data` in and return what the chip sends meanwhile; `hz` [Hz], mode 0 or 3."""
        if not self.powered:
            return bytes(len(data))
        if polarity != phase:
            self.mode_violations += 1
            return b"\xff" * len(data)
        if hz > (SPI_READ_HZ_MAX if self._opcode(data) == 0x03 else SPI_HZ_MAX):
            self.clock_violations += 1
        out = b""
        at = len(self._frame)
        self._frame += data
        out = self._answer(at, len(data))
        return out

    def _opcode(self, data: bytes) -> int:
        return self._frame[0] if self._frame else data[0] if data else 0

    def _answer(self, at: int, count: int) -> bytes:
        """Return the bytes that go out at positions `at` to `at + count` of the frame."""
        frame = self._frame
        op = frame[0]
        if self._asleep and op != 0xAB:
            return b"\xff" * count
        if op == 0x05:
            return bytes([self._status_1()]) * count
        if self.busy and op not in (0x35,):
            return b"\xff" * count
        streams: dict[int, tuple[int, Callable[[int, int], bytes]]] = {
            0x03: (4, self._read_array),
            0x0B: (5, self._read_array),
            0x5A: (5, self._read_sfdp),
            0x9F: (1, lambda start, n: (self._jedec * (n // 3 + 2))[start % 3 :][:n]),
            0xAB: (4, lambda start, n: bytes([self._jedec[2] - 1]) * n),
            0x90: (4, lambda start, n: bytes([self._jedec[0], self._jedec[2] - 1]) * n),
            0x35: (1, lambda start, n: bytes([self._status_2]) * n),
            0x15: (1, lambda start, n: b"\x60" * n),
            0x4B: (5, lambda start, n: bytes.fromhex("d166c3a09b5e1742")[start:][:n].ljust(n, b"\xff")),
        }
        if op not in streams:
            return b"\xff" * count
        header, source = streams[op]
        silent = min(max(header - at, 0), count)
        rest = count - silent
        return b"\xff" * silent + (source(at + silent - header, rest) if rest else b"")

    def _address(self) -> int:
        return int.from_bytes(self._frame[1:4], "big") % self.size_bytes

    def _read_array(self, start: int, count: int) -> bytes:
        first = (self._address() + start) % self.size_bytes
        out = self._cells(first, min(count, self.size_bytes - first))
        while len(out) < count:
            out += self._cells(0, min(count - len(out), self.size_bytes))
        return out

    def _cells(self, first: int, count: int) -> bytes:
        """Return what cells read as: loose bits as chance has it, stuck bits as they stick."""
        if not self._loose and not self.faults.stuck:
            return bytes(self.content[first : first + count])
        out = bytearray(self.content[first : first + count])
        for k in range(count):
            loose = self._loose.get(first + k, 0)
            if loose:
                out[k] ^= loose & self._random.getrandbits(8)
            mask, value = self.faults.stuck.get(first + k, (0, 0))
            out[k] = out[k] & ~mask | value & mask
        return bytes(out)

    def _read_sfdp(self, start: int, count: int) -> bytes:
        first = int.from_bytes(self._frame[1:4], "big") + start
        return self._sfdp[first : first + count].ljust(count, b"\xff")

    def _status_1(self) -> int:
        return (1 if self.busy else 0) | (2 if self._write_enabled else 0) | self._protect

    # ------------------------------------------------------------ operations

    def _execute(self) -> None:
        op = self._frame[0]
        now = self._now_us()
        if self._asleep:
            if op == 0xAB:
                self._asleep = False
                self._awake_from_us = now + WAKE_US
            return
        if op in (0x05, 0x35, 0x15):
            return
        if self.busy:
            self.misuses.append(f"instruction 0x{op:02x} while busy")
            return
        if now < self._awake_from_us:
            self.misuses.append(f"instruction 0x{op:02x} before the chip was awake")
            return
        reset_enabled, self._reset_enabled = self._reset_enabled, op == 0x66
        if op == 0x06:
            self._write_enabled = not self.faults.refuses_enable
        elif op == 0x50:
            self._volatile_enabled = True
        elif op == 0x04 or (op == 0x99 and reset_enabled):
            self._write_enabled = self._volatile_enabled = False
        elif op == 0xB9:
            self._asleep = True
            self._awake_from_us = now + POWER_DOWN_US
        elif op == 0x02:
            self._program()
        elif op in BLOCKS and self._is_framed(4):
            self._erase(self._address() // BLOCKS[op] * BLOCKS[op], BLOCKS[op])
        elif op in (0xC7, 0x60) and self._is_framed(1):
            self._erase(0, self.size_bytes)
        elif op == 0x01 and len(self._frame) in (2, 3):
            self._write_status()

    def _is_framed(self, size: int) -> bool:
        """Tell whether select went high right after the last bit; where not, the instruction is not executed."""
        if len(self._frame) != size:
            self.misuses.append(f"instruction 0x{self._frame[0]:02x} of {len(self._frame)} bytes instead of {size}")
        return len(self._frame) == size

    def _write_status(self) -> None:
        if self._volatile_enabled:
            self._volatile_enabled = False
        elif self._may_write("status write"):
            self._begin(STATUS_WRITE_US)
        else:
            return
        self._protect = self._frame[1] & STATUS_BITS

    def _may_write(self, what: str) -> bool:
        if not self._write_enabled:
            self.misuses.append(f"{what} without write enable")
        return self._write_enabled

    def _is_protected(self, start: int, length: int) -> bool:
        """Tell whether any of a range is locked. The instruction is then not executed and the latch stays up."""
        low, high = protected_range(self._protect, self.size_bytes)
        return start < high and start + length > low

    def _program(self) -> None:
        if len(self._frame) < 5 or not self._may_write("program"):
            return
        address = self._address()
        page = address // self._page_bytes * self._page_bytes
        if self._is_protected(page, self._page_bytes):
            return
        data = bytes(self._frame[4:])
        before = bytes(self.content[page : page + self._page_bytes])
        after = bytearray(before)
        # Past the page's end it goes on at its start; of more than a page only the last bytes count.
        latch: dict[int, int] = {}
        for k, byte in enumerate(data):
            latch[(address - page + k) % self._page_bytes] = byte
        kept = bytearray(b"\xff" * self._page_bytes)
        for place, byte in latch.items():
            after[place] &= byte
            kept[place] = byte
        self._firm(page, bytes(kept))
        self._operate("program", address, data, page, before, bytes(after), self._program_us)
        self.programs += 1

    def _erase(self, start: int, length: int) -> None:
        if not self._may_write("erase") or self._is_protected(start, length):
            return
        before = bytes(self.content[start : start + length])
        # Larger blocks take less time a sector (150 ms for 64 kbyte against 45 ms for 4); the chip about 10 s.
        times = (length / 4096) ** (0.45 if length < self.size_bytes else 0.78)
        durations_us = (self._erase_us[0] * times, self._erase_us[1] * times)
        self._firm(start, bytes(length))
        self._operate("erase", start, length, start, before, b"\xff" * length, durations_us)
        self.erases += 1

    def _operate(
        self,
        kind: str,
        address: int,
        what: bytes | int,
        start: int,
        before: bytes,
        after: bytes,
        durations_us: tuple[float, float],
    ) -> None:
        if self.before_operation is not None:
            self.before_operation(kind, address, what)
        self._write_enabled = False
        if not self.powered:
            return
        self._begin(durations_us)
        if self.faults.writes_lost:
            after = before
        self._torn = (kind, start, before)
        self._store(start, after)

    def _begin(self, durations_us: tuple[float, float]) -> None:
        """Be busy for the typical or the longest time [us]."""
        self._write_enabled = False
        self._begun_us = float(self._now_us())
        self._busy_until_us = math.inf if self.faults.busy_for_ever else self._begun_us + durations_us[self.slow]
        self._torn = None

    def _firm(self, start: int, kept: bytes) -> None:
        """Let the loose bits that are programmed or erased now be firm: all but those that are 1 in `kept`."""
        if self.faults.writes_lost:
            return
        for place in [place for place in self._loose if start <= place < start + len(kept)]:
            self._loose[place] &= kept[place - start]
            if not self._loose[place]:
                del self._loose[place]

    def _store(self, start: int, data: bytes) -> None:
        self.content[start : start + len(data)] = data
        if self._file >= 0:
            os.pwrite(self._file, data, start)
