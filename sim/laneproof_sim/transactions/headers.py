"""Headers of memory requests and completions, as four double words in the order of the Header Log registers.

Non-FLIT layout, from memory of the base specification, chapter 2; `laneproof.pcie.decode_tlp` reads it back. A header
of three double words has a zero behind it, where a logged one may have anything.
"""

from __future__ import annotations

from typing import Literal

from attrs import frozen

Header = tuple[int, int, int, int]

Status = Literal["SC", "UR", "CA"]
_STATUS = {"SC": 0, "UR": 1, "CA": 4}

_FOUR_DWORDS = 1 << 29
_WITH_DATA = 1 << 30
_COMPLETION = 0x0A << 24
_POISONED = 1 << 14
_ABOVE_32_BITS = 1 << 32


@frozen(kw_only=True)
class Request:
    """A memory request of the card for `nbytes` from bus address `address` on, within one 4 KiB page.

    `requester` and `completer` are bus, device and function in 16 bits; `tag` has ten.
    """

    address: int
    nbytes: int
    requester: int
    completer: int
    tag: int

    def read(self) -> Header:
        """MRd."""
        return self._header(0)

    def write(self, *, poisoned: bool = False) -> Header:
        """MWr."""
        return self._header(_WITH_DATA | (_POISONED if poisoned else 0))

    def completion(
        self, *, status: Status = "SC", place: int = 0, nbytes: int | None = None, poisoned: bool = False
    ) -> Header:
        """CplD with `nbytes` from the request's byte `place` on, or to its end; Cpl without data if not successful."""
        at, left = self.address + place, self.nbytes - place
        first = _COMPLETION | _tag_high(self.tag)
        if status == "SC":
            first |= _WITH_DATA | _dwords(at, left if nbytes is None else nbytes) % 1024
            first |= _POISONED if poisoned else 0
        second = self.completer << 16 | _STATUS[status] << 13 | left % 4096
        return first, second, self.requester << 16 | (self.tag & 0xFF) << 8 | at & 0x7F, 0

    def _header(self, kind: int) -> Header:
        dwords = _dwords(self.address, self.nbytes)
        end = (self.address + self.nbytes - 1) % 4 + 1
        first_bytes = 0xF << self.address % 4 & 0xF
        last_bytes = (1 << end) - 1
        if dwords == 1:
            first_bytes, last_bytes = first_bytes & last_bytes, 0
        second = self.requester << 16 | (self.tag & 0xFF) << 8 | last_bytes << 4 | first_bytes
        first = kind | _tag_high(self.tag) | dwords % 1024
        low = self.address & 0xFFFFFFFC
        if self.address < _ABOVE_32_BITS:
            return first, second, low, 0
        return first | _FOUR_DWORDS, second, self.address >> 32, low


def _dwords(address: int, nbytes: int) -> int:
    """Double words that a stretch of bytes touches."""
    return (address % 4 + nbytes + 3) // 4


def _tag_high(tag: int) -> int:
    """Bits 9 and 8 of a tag, which lie apart from the rest."""
    return (tag >> 9 & 1) << 23 | (tag >> 8 & 1) << 19
