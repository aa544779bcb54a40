"""What a comparison of received with expected data found. How it is found is in `verification`."""

from __future__ import annotations

import re
from typing import Literal

import attrs
from attrs import Factory, field, frozen

from laneproof.errors import BadInput

MAX_REGIONS = 4096
"""The most wrong regions that a `Comparison` lists, lowest positions first. Its counts have no such limit."""

DIGEST_ESCAPE = 2.0**-32
"""The probability that a wrong chunk, of at most 1 MiB, passes a check by digest: that of one CRC-32 in all."""


@frozen
class WrongRegion:
    """Wrong bytes in a row, at positions `start` to `stop` - 1."""

    start: int
    stop: int

    @property
    def nbytes(self) -> int:
        return self.stop - self.start


Method = Literal["exact", "digest", "card"]
_METHODS: tuple[Method, ...] = ("exact", "digest", "card")
"""From the one that says the most to the one that says the least."""


def _bytes_checked(comparison: Comparison) -> int:
    return comparison.bytes_checked


@frozen(kw_only=True)
class Comparison:
    """Received against expected data. Positions are in bytes from the start of what was compared.

    `regions` holds runs of wrong bytes in ascending order, those that touch merged, at most `MAX_REGIONS`; when
    `regions_cut`, there are more, and only the counts are complete. `first` is the position of the first wrong
    byte. `bytes_expected`, `bytes_received`, `surplus_bytes` and `stalled` say what a check that moved the data saw;
    verifying a buffer leaves them at "all there". `method` is "digest" where a part may have been checked by its CRC
    only, and "card" where the card's own checker compared: it counts wrong bits, so there are no places,
    `mismatched_bytes` is the least that can hold so many, and `lock_losses` says how often it lost the pattern. Such a
    checker is `demonstrated` only where it was seen to count an injected error, and one that is `saturated` has counted
    at least so many.
    `caution` is what the pattern or the method cannot tell, in sentences, empty if nothing. `kernels` is what did the
    work, numpy, numba, the CRC's library or several; the results are the same, so it does not count when comparisons
    are compared.
    """

    bytes_checked: int
    mismatched_bytes: int = 0
    mismatched_bits: int = 0
    first: int | None = None
    regions: tuple[WrongRegion, ...] = ()
    regions_cut: bool = False
    bytes_expected: int = field(default=Factory(_bytes_checked, takes_self=True))
    bytes_received: int = field(default=Factory(_bytes_checked, takes_self=True))
    surplus_bytes: int = 0
    stalled: bool = False
    method: Method = "exact"
    caution: str = ""
    lock_losses: int = 0
    saturated: bool = False
    demonstrated: bool = True
    kernels: str = field(default="numpy", eq=False)

    @property
    def empty(self) -> bool:
        """True where not a byte was compared, which is evidence of nothing."""
        return self.bytes_checked == 0

    @property
    def ok(self) -> bool:
        """True only on evidence: at least one byte, every byte expected came and was right, no more came, no stall.

        A card's own checker must have kept its lock, too.
        """
        return (
            not self.empty
            and self.mismatched_bytes == 0
            and self.bytes_checked == self.bytes_received == self.bytes_expected
            and self.surplus_bytes == 0
            and not self.stalled
            and self.lock_losses == 0
        )

    @property
    def escape_probability(self) -> float:
        """The probability that a wrong chunk passed: `DIGEST_ESCAPE` for a check by digest, 0 for one bit by bit."""
        return DIGEST_ESCAPE if self.method == "digest" else 0.0

    def shifted(self, offset: int) -> Comparison:
        """The same with every position moved by `offset` bytes. Raises BadInput if one fell below 0."""
        if self.first is None:
            return self
        if self.first + offset < 0:
            raise BadInput(f"moving a comparison by {offset} puts its first wrong byte, {self.first}, below 0")
        regions = tuple(WrongRegion(region.start + offset, region.stop + offset) for region in self.regions)
        return attrs.evolve(self, first=self.first + offset, regions=regions)

    def combined(self, other: Comparison) -> Comparison:
        """Both as one, their positions being in one frame and no byte in both.

        Pieces of a whole combine to the whole, in whatever order. Only a list of regions that was cut remembers less
        than the whole has, so where a piece arrives late between two others the cut list may end sooner; counts and
        `first` are always those of the whole.
        """
        firsts = [first for first in (self.first, other.first) if first is not None]
        regions, cut = _merged(self, other)
        return Comparison(
            bytes_checked=self.bytes_checked + other.bytes_checked,
            mismatched_bytes=self.mismatched_bytes + other.mismatched_bytes,
            mismatched_bits=self.mismatched_bits + other.mismatched_bits,
            first=min(firsts, default=None),
            regions=regions,
            regions_cut=cut,
            bytes_expected=self.bytes_expected + other.bytes_expected,
            bytes_received=self.bytes_received + other.bytes_received,
            surplus_bytes=self.surplus_bytes + other.surplus_bytes,
            stalled=self.stalled or other.stalled,
            method=_METHODS[max(_METHODS.index(self.method), _METHODS.index(other.method))],
            caution=_each_once(self.caution, other.caution),
            lock_losses=self.lock_losses + other.lock_losses,
            saturated=self.saturated or other.saturated,
            demonstrated=self.demonstrated and other.demonstrated,
            kernels=kernels_together(self.kernels, other.kernels),
        )


def kernels_together(one: str, two: str) -> str:
    """What worked on either part, each named once."""
    return one if one == two else " and ".join(sorted({*one.split(" and "), *two.split(" and ")}))


def _each_once(one: str, two: str) -> str:
    """The sentences of both, each once."""
    # Blocks of one check have the same one; do not take it apart for each.
    return one if one == two else " ".join(dict.fromkeys(filter(None, re.split(r"(?<=\.) ", f"{one} {two}".strip()))))


def _merged(one: Comparison, two: Comparison) -> tuple[tuple[WrongRegion, ...], bool]:
    cut = one.regions_cut or two.regions_cut
    if not one.regions or not two.regions:
        return one.regions or two.regions, cut
    # Damage goes on for gigabytes; do not sort thousands of regions again for each block behind a full list.
    if one.regions_cut and two.regions[0].start >= one.regions[-1].stop:
        return one.regions, True
    if two.regions[0].start > one.regions[-1].stop:
        joined = one.regions + two.regions
        return joined[:MAX_REGIONS], cut or len(joined) > MAX_REGIONS
    merged: list[WrongRegion] = []
    for region in sorted(one.regions + two.regions, key=lambda region: region.start):
        if merged and region.start <= merged[-1].stop:
            merged[-1] = WrongRegion(merged[-1].start, max(merged[-1].stop, region.stop))
        else:
            merged.append(region)
    return tuple(merged[:MAX_REGIONS]), cut or len(merged) > MAX_REGIONS
