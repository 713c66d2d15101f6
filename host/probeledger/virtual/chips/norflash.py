"""A 25-series SPI NOR flash: reading, page programming, erasing, with its real times and its half-done states.

Sources: the W25Q32 data sheet (revision J, 2013) for instructions, times and status registers, from memory; JEDEC
JESD216 for the discoverable parameters. Programming can only clear bits; erasing sets a sector's bits.

The image lives in a file that is written through, so that the content outlives the process. A supply that goes away
during an operation leaves a page or a sector half done.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

SPI_READ_HZ_MAX = 50_000_000
SPI_HZ_MAX = 104_000_000
WAKE_US = 3
BLOCKS = {0x20: 4096, 0x52: 32768, 0xD8: 65536}


class FlashImageError(Exception):
    """Say that the file with the flash's content cannot be used."""


class NorFlash:
    """Be one 25-series flash.

    Args: `image` is the file with its content (made, all ones, where it is missing), `figures` the table
    [chips.flash] of the tester's description, `now_us` the simulated time [us], `seed` feeds torn operations.
    Attribute `before_operation`, where set, is called with ("program" | "erase", address, bytes or length) before an
    operation takes effect; an exception from it passes to the caller and leaves the operation undone.
    """

    def __init__(self, image: Path, figures: Mapping[str, Any], now_us: Callable[[], int], seed: int = 0) -> None:
        self._now_us = now_us
        self._jedec = bytes(figures["jedec"])
        self.size_bytes = int(figures["bytes"])
        self._page_bytes = int(figures["page_bytes"])
        self._program_us = 1e3 * float(figures["page_program_ms"])
        self._erase_us = 1e3 * float(figures["sector_erase_ms"])
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
        self._protect = 0
        self._write_enabled = False
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
                if kind == "erase":
                    # Erasing goes over all cells at once: bits come up one by one.
                    mixed[k] = old | (new & self._some_bits(share))
                else:
                    mixed[k] = old & (new | (0xFF ^ self._some_bits(share)))
            self._store(address, bytes(mixed))
        self.powered = False
        self._torn = None

    def _some_bits(self, share: float) -> int:
        if share >= 1.0:
            return 0xFF
        return sum(1 << bit for bit in range(8) if self._random.random() < share)

    # ------------------------------------------------------------ serial interface

    @property
    def busy(self) -> bool:
        """Tell whether a program or erase is under way."""
        return self._now_us() < self._busy_until_us

    def next_event_us(self) -> int | None:
        """Return when the operation under way ends [us], or None."""
        return int(self._busy_until_us) + 1 if self.busy else None

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
            0x15: (1, lambda start, n: bytes(n)),
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
        out = bytes(self.content[first : first + count])
        while len(out) < count:
            out += bytes(self.content[: count - len(out)])
        return out

    def _read_sfdp(self, start: int, count: int) -> bytes:
        first = int.from_bytes(self._frame[1:4], "big") + start
        return self._sfdp()[first : first + count].ljust(count, b"\xff")

    def _sfdp(self) -> bytes:
        """Return the discoverable parameters: header and basic table of JESD216 (revision 1.0, nine words)."""
        header = b"SFDP" + bytes([0x00, 0x01, 0x00, 0xFF])
        pointer = 0x80
        parameter = bytes([0x00, 0x00, 0x01, 9]) + pointer.to_bytes(3, "little") + b"\xff"
        words = [
            0xFFF120E5 & ~(1 << 19),  # 4-kbyte erase by 0x20, 3-byte addresses, no double rate
            self.size_bytes * 8 - 1,
            0x6B08EB44,
            0xBB423B08,
            0xFFFFFFFE,
            0x0000FFFF,
            0xEB40FFFF,
            0x520F200C,  # 4 kbyte by 0x20, 32 kbyte by 0x52
            0x0000D810,  # 64 kbyte by 0xD8
        ]
        table = b"".join(w.to_bytes(4, "little") for w in words)
        return (header + parameter).ljust(pointer, b"\xff") + table

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
            self._write_enabled = True
        elif op == 0x04 or (op == 0x99 and reset_enabled):
            self._write_enabled = False
        elif op == 0xB9:
            self._asleep = True
        elif op == 0x02:
            self._program()
        elif op in BLOCKS:
            self._erase(self._address() // BLOCKS[op] * BLOCKS[op], BLOCKS[op])
        elif op in (0xC7, 0x60):
            self._erase(0, self.size_bytes)
        elif op == 0x01 and len(self._frame) >= 2 and self._may_write("status write"):
            self._protect = self._frame[1] & 0xFC
            self._write_enabled = False

    def _may_write(self, what: str) -> bool:
        if not self._write_enabled:
            self.misuses.append(f"{what} without write enable")
        return self._write_enabled

    def _program(self) -> None:
        if len(self._frame) < 5 or not self._may_write("program"):
            return
        address = self._address()
        page = address // self._page_bytes * self._page_bytes
        data = bytes(self._frame[4:])
        before = bytes(self.content[page : page + self._page_bytes])
        after = bytearray(before)
        # Past the page's end it goes on at its start; of more than a page only the last bytes count.
        latch: dict[int, int] = {}
        for k, byte in enumerate(data):
            latch[(address - page + k) % self._page_bytes] = byte
        for place, byte in latch.items():
            after[place] &= byte
        self._operate("program", address, data, page, before, bytes(after), self._program_us)
        self.programs += 1

    def _erase(self, start: int, length: int) -> None:
        if not self._may_write("erase"):
            return
        before = bytes(self.content[start : start + length])
        # Larger blocks take less time a sector (150 ms for 64 kbyte against 45 ms for 4); the chip about 10 s.
        duration = self._erase_us * (length / 4096) ** (0.45 if length < self.size_bytes else 0.78)
        self._operate("erase", start, length, start, before, b"\xff" * length, duration)
        self.erases += 1

    def _operate(
        self, kind: str, address: int, what: bytes | int, start: int, before: bytes, after: bytes, us: float
    ) -> None:
        if self.before_operation is not None:
            self.before_operation(kind, address, what)
        self._write_enabled = False
        if not self.powered:
            return
        self._begun_us = float(self._now_us())
        self._busy_until_us = self._begun_us + us
        self._torn = (kind, start, before)
        self._store(start, after)

    def _store(self, start: int, data: bytes) -> None:
        self.content[start : start + len(data)] = data
        if self._file >= 0:
            os.pwrite(self._file, data, start)
