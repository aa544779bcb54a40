"""Where and how received data differ from a pattern: counts per unit, XOR masks, byte lanes, directions.

Which buffer the wrong bytes came from is in `origin`; what caused them is for the diagnosis.
"""

from __future__ import annotations

import operator
from collections import Counter
from collections.abc import Iterator
from typing import SupportsIndex

import attrs
from attrs import field, frozen

from laneproof.errors import BadInput
from laneproof.integrity.allocation import COUNT_LIMIT, checked_index
from laneproof.integrity.buffers import byte_view
from laneproof.integrity.comparison import Comparison, WrongRegion, kernels_together
from laneproof.integrity.pattern import Pattern
from laneproof.integrity.tally import KEPT_MASKS, TILE_BYTES, Tally, Units

MAX_MASKS = 64
"""The most XOR masks that a `Localisation` lists, most frequent first."""

PAGE_BYTES = 4096


@frozen
class XorMask:
    """`dwords` of them are wrong in the bits of `mask`; bit 0 is the least significant one of a dword's first byte."""

    mask: int
    dwords: int


@frozen
class _Edge:
    """The unit at one end, which a neighbouring piece may share: the dword's mask, whether page and block are wrong."""

    mask: int = 0
    page: bool = False
    block: bool = False


@frozen(kw_only=True)
class Localisation:
    """What is wrong between positions `start` and `stop` of a stretch, counted in every unit.

    Dwords, pages (4 KiB) and transfer blocks (`block_bytes` each; `wrong_blocks` is None where none was given) lie at
    multiples of their size from the stretch's beginning, and count where a bit of them is wrong. Every count is
    exact. `regions` holds runs of wrong bytes as a `Comparison` does, and is cut as it is there; its positions, too,
    are those of the stretch. `masks` are the most frequent XOR masks of dwords; `masks_cut`: there are more. Where
    there were too many different ones to remember, `masks_are_least` says that theirs are the only counts here that
    may be too low.

    `bit_of_dword` has 32 numbers of wrong bits, `byte_of_64` 64 numbers of wrong bytes by position modulo 64, and
    `byte_of_32` to `byte_of_8` the same modulo less: a byte lane of a memory or of a bus inside card or host, never a
    lane of the link, whose damage is replayed. `zero_to_one` bits were sent as 0 and came as 1.
    """

    start: int
    stop: int
    block_bytes: int | None
    wrong_bytes: int = 0
    wrong_bits: int = 0
    wrong_dwords: int = 0
    wrong_pages: int = 0
    wrong_blocks: int | None = None
    regions: tuple[WrongRegion, ...] = ()
    regions_cut: bool = False
    bit_of_dword: tuple[int, ...] = (0,) * 32
    byte_of_64: tuple[int, ...] = (0,) * 64
    zero_to_one: int = 0
    one_to_zero: int = 0
    masks_are_least: bool = False
    caution: str = ""
    kernels: str = field(default="numpy", eq=False)
    """What did the work, numpy or numba."""
    _mask_counts: dict[int, int] = field(factory=dict[int, int], repr=False, alias="mask_counts")
    _head: _Edge = field(default=_Edge(), repr=False, alias="head")
    _tail: _Edge = field(default=_Edge(), repr=False, alias="tail")

    @property
    def masks(self) -> tuple[XorMask, ...]:
        ranked = sorted(self._mask_counts.items(), key=lambda item: (-item[1], item[0]))
        return tuple(XorMask(mask, dwords) for mask, dwords in ranked[:MAX_MASKS])

    @property
    def masks_cut(self) -> bool:
        return self.masks_are_least or len(self._mask_counts) > MAX_MASKS

    @property
    def byte_of_32(self) -> tuple[int, ...]:
        return self._modulo(32)

    @property
    def byte_of_16(self) -> tuple[int, ...]:
        return self._modulo(16)

    @property
    def byte_of_8(self) -> tuple[int, ...]:
        return self._modulo(8)

    def _modulo(self, width: int) -> tuple[int, ...]:
        return tuple(sum(self.byte_of_64[lane::width]) for lane in range(width))

    def combined(self, other: Localisation) -> Localisation:
        """Both as one; one must begin where the other stops. Equal to that of the whole, whatever the border cuts.

        Raises BadInput for pieces that do not touch, or that were counted in different blocks.
        """
        left, right = sorted((self, other), key=lambda piece: (piece.start, piece.stop))
        if left.stop != right.start:
            raise BadInput(
                f"positions {left.start} to {left.stop} and {right.start} to {right.stop} do not touch; "
                "combine pieces that are neighbours"
            )
        if left.block_bytes != right.block_bytes:
            raise BadInput(f"one piece counts blocks of {left.block_bytes}, the other of {right.block_bytes} bytes")
        if left.start == left.stop or right.start == right.stop:
            return right if left.start == left.stop else left
        return _joined(left, right)


def localise(pattern: Pattern, received: object, at: SupportsIndex = 0, *, block: int | None = None) -> Localisation:
    """Compare a buffer with the stretch from position `at` on, and say in every unit what is wrong.

    `block` is the size of a transfer block in bytes. Memory is bounded by 16 MiB whatever the buffer and the damage.
    Raises BadInput for a buffer that is none, or a block smaller than a byte.
    """
    data = byte_view(received)
    start = checked_index("at", at, COUNT_LIMIT)
    if block is not None and checked_index("block", block, COUNT_LIMIT) == 0:
        raise BadInput("block is 0; give the bytes of a transfer block, or leave it out")
    comparison = pattern.verify(data, start)
    pages, blocks = Units(PAGE_BYTES), None if block is None else Units(block)
    stop = start + data.size
    tally = Tally(start, stop, (pages,) if blocks is None else (pages, blocks))
    for position, size in _damaged_tiles(comparison, start, data.size):
        tally.add(pattern, position, data[position - start : position - start + size])
    shifted = comparison.shifted(start)
    return Localisation(
        start=start,
        stop=stop,
        block_bytes=block,
        wrong_bytes=comparison.mismatched_bytes,
        wrong_bits=comparison.mismatched_bits,
        wrong_dwords=tally.dwords,
        wrong_pages=pages.count,
        wrong_blocks=None if blocks is None else blocks.count,
        regions=shifted.regions,
        regions_cut=shifted.regions_cut,
        bit_of_dword=tuple(tally.bits.tolist()),
        byte_of_64=tuple(tally.lanes.tolist()),
        zero_to_one=tally.zero_to_one,
        one_to_zero=comparison.mismatched_bits - tally.zero_to_one,
        masks_are_least=tally.forgotten,
        caution=comparison.caution,
        kernels=comparison.kernels,
        mask_counts=dict(zip(tally.masks.tolist(), tally.mask_counts.tolist(), strict=True)),
        head=_Edge(tally.head, pages.holds(start), blocks is not None and blocks.holds(start)),
        tail=_Edge(tally.tail, pages.holds(stop - 1), blocks is not None and blocks.holds(stop - 1)),
    )


def _damaged_tiles(comparison: Comparison, start: int, nbytes: int) -> Iterator[tuple[int, int]]:
    """Positions and sizes of the tiles that hold damage; they begin at multiples of a tile, or at `start`."""
    stop = start + nbytes
    done = start
    regions = [(region.start + start, region.stop + start) for region in comparison.regions]
    if comparison.regions_cut:
        regions.append((regions[-1][1], stop))
    for first, last in regions:
        done = max(done, first // TILE_BYTES * TILE_BYTES)
        while done < last:
            following = min((done // TILE_BYTES + 1) * TILE_BYTES, stop)
            yield done, following - done
            done = following


def _joined(left: Localisation, right: Localisation) -> Localisation:
    border = left.stop
    masks = Counter(left._mask_counts)  # pyright: ignore[reportPrivateUsage]
    masks.update(right._mask_counts)  # pyright: ignore[reportPrivateUsage]
    tail, head = left._tail, right._head  # pyright: ignore[reportPrivateUsage]
    dwords = left.wrong_dwords + right.wrong_dwords
    pages = left.wrong_pages + right.wrong_pages
    blocks = None if left.wrong_blocks is None else left.wrong_blocks + (right.wrong_blocks or 0)
    if border % 4 and tail.mask and head.mask:
        masks.subtract((tail.mask, head.mask))
        masks[tail.mask | head.mask] += 1
        dwords -= 1
    if border % PAGE_BYTES and tail.page and head.page:
        pages -= 1
    if blocks is not None and left.block_bytes is not None and border % left.block_bytes and tail.block and head.block:
        blocks -= 1
    regions = Comparison(bytes_checked=0, regions=left.regions, regions_cut=left.regions_cut).combined(
        Comparison(bytes_checked=0, regions=right.regions, regions_cut=right.regions_cut)
    )
    kept = {mask: count for mask, count in masks.most_common(KEPT_MASKS) if count > 0}
    return attrs.evolve(
        left,
        stop=right.stop,
        wrong_bytes=left.wrong_bytes + right.wrong_bytes,
        wrong_bits=left.wrong_bits + right.wrong_bits,
        wrong_dwords=dwords,
        wrong_pages=pages,
        wrong_blocks=blocks,
        regions=regions.regions,
        regions_cut=regions.regions_cut,
        bit_of_dword=_sums(left.bit_of_dword, right.bit_of_dword),
        byte_of_64=_sums(left.byte_of_64, right.byte_of_64),
        zero_to_one=left.zero_to_one + right.zero_to_one,
        one_to_zero=left.one_to_zero + right.one_to_zero,
        masks_are_least=left.masks_are_least or right.masks_are_least or len(masks) > KEPT_MASKS,
        caution=left.caution if right.caution in left.caution else f"{left.caution} {right.caution}".strip(),
        kernels=kernels_together(left.kernels, right.kernels),
        mask_counts=kept,
        head=_outer(left, right, left._head, right._head, left.start),  # pyright: ignore[reportPrivateUsage]
        tail=_outer(right, left, right._tail, left._tail, right.stop - 1),  # pyright: ignore[reportPrivateUsage]
    )


def _sums(one: tuple[int, ...], two: tuple[int, ...]) -> tuple[int, ...]:
    return tuple(map(operator.add, one, two))


def _outer(near: Localisation, far: Localisation, own: _Edge, beyond: _Edge, position: int) -> _Edge:
    """The edge at `position` of `near`, and what of `far`'s edge beyond the border lies in the same units."""
    border = far.start if far.start > near.start else far.stop - 1

    def shared(unit_bytes: int) -> bool:
        return border // unit_bytes == position // unit_bytes

    block = near.block_bytes
    return _Edge(
        own.mask | (beyond.mask if shared(4) else 0),
        own.page or (beyond.page and shared(PAGE_BYTES)),
        own.block or (beyond.block and block is not None and shared(block)),
    )
