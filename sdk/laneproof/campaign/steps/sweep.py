"""Sweeps of an `integrity` step: many small checks, one thing varied at a time, and what came of each.

Defects of card and driver sit at borders: a byte more or less than a page, a buffer that begins in the middle of a
word, a queue that is full. Which points are tried follows from the card's limits.
"""

from __future__ import annotations

import random
from collections.abc import Collection, Iterator
from contextlib import suppress
from typing import Literal, get_args

import attrs
from attrs import define, field, frozen

from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import CONFIDENCE, error_rate_bound
from laneproof.campaign.steps.slot import Slot
from laneproof.contract import Limits
from laneproof.errors import EndpointBusy, LaneproofError, TransferTimeout
from laneproof.integrity import Comparison, WrongPiece
from laneproof.integrity.buffers import byte_view
from laneproof.moving.blocks import largest_piece
from laneproof.units import format_bytes

Sweep = Literal["sizes", "offsets", "depths"]
SWEEPS: tuple[Sweep, ...] = get_args(Sweep)
Order = Literal["ascending", "descending", "shuffled"]

LARGEST_BYTES = 1 << 20
"""Of a sweep's transfers, unless the FIFO is deeper: borders beyond it are those of memory, not of the card."""
BORDERS = (16, 32, 64, 128, 256, 512, 1024, 2048, 4096, 8192, 65536)
"""Bytes at which something may change, each tried with its neighbours: words of buses, a cache line, the payload and
request sizes of PCI Express (Base Specification 6.0, 7.5.3.4: 128 to 4096), a page, 64 KiB. Common practice, no source,
beyond those."""
OFFSETS = (0, 1, 2, 4, 8, 16, 32, 64, 128, 512, 2048, 4032, 4092, 4095)
"""Bytes from the beginning of a page to that of a buffer."""
PAGE_BYTES = 4096
OFFSET_BYTES = 8192
"""Of a transfer at an offset: it crosses a page's border at least once."""
DEPTH_BYTES = 1 << 14
"""Of each of the transfers under way at once, where their number is varied."""
TRANSFERS_PER_DEPTH = 4
MAX_RECOVERIES = 8
"""After so many points that left the card out of step, the rest of a sweep is not tried."""
RECOVERY_S = 30.0
"""Real seconds that bringing the card back in step may take before the slot counts as hung."""
MAX_NAMED = 6
"""Wrong points that a reason names."""


@frozen(kw_only=True)
class Point:
    """One check: `bytes` in all, in transfers of `block`, `depth` under way; the buffers begin `offset` into a page."""

    sweep: Sweep
    bytes: int
    block: int
    offset: int = 0
    depth: int = 1

    @property
    def said(self) -> str:
        if self.sweep == "sizes":
            return f"{self.bytes} B"
        return f"offset {self.offset}" if self.sweep == "offsets" else f"depth {self.depth}"


def points_of(sweeps: Collection[Sweep], limits: Limits) -> list[Point]:
    """What a card with these limits is tried with, each sweep in ascending order."""
    grain, piece = limits.granularity, largest_piece(limits)

    def whole(nbytes: int) -> int:
        return min(piece, -(-nbytes // grain) * grain)

    points: list[Point] = []
    if "sizes" in sweeps:
        most = max(LARGEST_BYTES, limits.fifo_depth or 0)
        borders = [border for border in (*BORDERS, limits.fifo_depth or 0, piece) if 0 < border <= most]
        sizes = {whole(border) + step * grain for border in borders for step in (-1, 0, 1)}
        sizes |= {whole(few) for few in (1, 2, 3, 4, 5, 8)}
        points += [Point(sweep="sizes", bytes=size, block=size) for size in sorted(sizes) if 0 < size <= piece]
    if "offsets" in sweeps:
        size = whole(OFFSET_BYTES)
        offsets = sorted(offset for offset in OFFSETS if offset % limits.alignment == 0)
        points += [Point(sweep="offsets", bytes=size, block=size, offset=offset) for offset in offsets]
    if "depths" in sweeps:
        block, deepest = whole(DEPTH_BYTES), limits.queue_depth
        depths = sorted({1 << power for power in range(deepest.bit_length())} | {deepest})
        points += [
            Point(sweep="depths", bytes=TRANSFERS_PER_DEPTH * depth * block, block=block, depth=depth)
            for depth in depths
        ]
    return points


def in_order(points: list[Point], order: Order, seed: int) -> list[Point]:
    """Each sweep's points in that order, one sweep after another; shuffled the same way for the same seed."""
    ordered: list[Point] = []
    for sweep in dict.fromkeys(point.sweep for point in points):
        own = [point for point in points if point.sweep == sweep]
        if order == "descending":
            own.reverse()
        elif order == "shuffled":
            random.Random(f"{seed} {sweep}").shuffle(own)  # noqa: S311 - an order, not a secret
        ordered += own
    return ordered


@define
class Swept:
    """A sweep under way: what came of its points so far."""

    slot: Slot
    pattern: str
    found: list[tuple[Point, Comparison]] = field(factory=list[tuple[Point, Comparison]], init=False)
    left_out: int = field(default=0, init=False)

    def run(self, points: list[Point], *, done: int, total: int) -> None:
        """Try the points; `done` of the step's `total` bytes were verified before. Raises what ends a step."""
        recoveries = 0
        for number, point in enumerate(points):
            if recoveries > MAX_RECOVERIES:
                self.left_out = len(points) - number
                return
            try:
                result = self._one(point, done, total)
            except LaneproofError as error:
                if isinstance(error.so_far, Comparison):
                    self.found.append((point, error.so_far))
                raise
            self.found.append((point, result))
            done += point.bytes
            if not all(channel.in_step for channel in self.slot.endpoint.channels):
                recoveries += 1
                self.slot.expect(RECOVERY_S)
                recovery = self.slot.endpoint.recover()
                self.slot.note("recovery", f"brought back in step after {point.said}: {recovery.how}")

    def _one(self, point: Point, done: int, total: int) -> Comparison:
        if point.sweep == "offsets":
            result = self._at_offset(point)
            self.slot.progress(done + point.bytes, total)
            return result
        return self.slot.check(
            self.pattern, point.bytes, block=point.block, depth=point.depth, done=done, total=total, more_follows=False
        )

    def _at_offset(self, point: Point) -> Comparison:
        card, nbytes = self.slot.endpoint, point.bytes
        own = self.slot.pattern(self.pattern)
        pattern = own.for_sequence(own.sequence + card.channels[0].take_sequences(1))
        regions = [card.allocate(PAGE_BYTES + point.offset + nbytes) for _ in range(2)]
        try:
            out, into = (_in_page(region.view, point.offset, nbytes) for region in regions)
            pattern.fill(out)
            pattern.fill_unlike(into)
            received, stalled = nbytes, False
            try:
                self.slot.loopback(out, into, nbytes)
            except TransferTimeout as error:
                received, stalled = error.moved, True
            data = byte_view(into)[:received]
            found = pattern.verify(data)
            if found.mismatched_bytes:
                piece = WrongPiece(pattern=pattern, received=data, comparison=found)
                self.slot.damage.keep(piece)
            return attrs.evolve(found, bytes_expected=nbytes, bytes_received=received, stalled=stalled)
        finally:
            for region in regions:
                with suppress(EndpointBusy):  # after a fault the hardware may still write to it
                    region.close()

    @property
    def bytes_received(self) -> int:
        return sum(result.bytes_received for _, result in self.found)

    def measures(self) -> Plain:
        """Every point, and what all of them show together."""
        results = [result for _, result in self.found]
        bits = 8 * sum(result.bytes_checked for result in results)
        wrong = sum(result.mismatched_bits for result in results)
        return {
            "points": [_plain(point, result) for point, result in self.found],
            "points_not_tried": self.left_out,
            "points_corruption": {
                "wrong_bits": wrong,
                "exposure_bits": bits,
                "upper_bound_per_bit": error_rate_bound(wrong, bits) if bits else None,
                "confidence": CONFIDENCE,
            },
        }

    def judge(self, findings: Findings) -> None:
        """A reason for each sweep that was tried."""
        for sweep in SWEEPS:
            own = [(point, result) for point, result in self.found if point.sweep == sweep]
            wrong = [(point, result) for point, result in own if not result.ok]
            if not own:
                continue
            if wrong:
                named = "; ".join(f"{point.said}: {_said(result)}" for point, result in wrong[:MAX_NAMED])
                more = f"; and {len(wrong) - MAX_NAMED} more" if len(wrong) > MAX_NAMED else ""
                stalled = any(result.stalled for _, result in wrong)
                findings.failed(
                    f"{self.pattern}, {sweep}: {len(wrong)} of {len(own)} points came back wrong: {named}{more}",
                    of_data=True,
                    of_stall=stalled,
                )
            else:
                findings.passed(f"{self.pattern}, {sweep}: {''.join(_range(sweep, [point for point, _ in own]))}")
        if self.left_out:
            findings.inconclusive(
                f"{self.left_out} more points were not tried, since {MAX_RECOVERIES + 1} had left the card out of step"
            )


def _in_page(view: memoryview, offset: int, nbytes: int) -> memoryview:
    """So many bytes of it, the first of them at that offset into a page."""
    skip = (offset - byte_view(view).ctypes.data) % PAGE_BYTES
    return view[skip : skip + nbytes]


def _range(sweep: Sweep, points: list[Point]) -> Iterator[str]:
    yield f"all {len(points)} points came back unchanged"
    if sweep == "sizes":
        sizes = [point.bytes for point in points]
        yield f", from {min(sizes)} B to {format_bytes(max(sizes))}"
    elif sweep == "offsets":
        yield f", from offset {min(point.offset for point in points)} to {max(point.offset for point in points)}"
    else:
        yield f", up to {max(point.depth for point in points)} transfers under way"


def _said(result: Comparison) -> str:
    missing = result.bytes_expected - result.bytes_received
    if result.mismatched_bytes:
        return f"{_bytes(result.mismatched_bytes)} wrong from byte {result.first} on"
    if result.surplus_bytes:
        return f"{_bytes(result.surplus_bytes)} too many"
    return f"{_bytes(missing)} never came{', and it stalled' if result.stalled else ''}"


def _bytes(count: int) -> str:
    return f"{count} byte{'' if count == 1 else 's'}"


def _plain(point: Point, result: Comparison) -> Plain:
    return {
        "sweep": point.sweep,
        "bytes": point.bytes,
        "offset": point.offset,
        "depth": point.depth,
        "ok": result.ok,
        "mismatched_bytes": result.mismatched_bytes,
        "first": result.first,
        "received_bytes": result.bytes_received,
        "surplus_bytes": result.surplus_bytes,
        "stalled": result.stalled,
    }
