"""Blocks of data moved one after another, each with its time: out and back, or one way as the card's engine counts.

Each is verified outside its time. What rates are held against is `throughput`'s; single round trips are `latency`'s.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import contextmanager, suppress

from attrs import define, field

from laneproof.campaign.events import Moved
from laneproof.campaign.results import Findings, Plain
from laneproof.campaign.statistics import spread
from laneproof.campaign.steps.comparisons import how_checked, joined, judge_data
from laneproof.campaign.steps.one_way import judge_what_went_wrong
from laneproof.campaign.steps.slot import Slot
from laneproof.channel import Transfer
from laneproof.errors import EndpointBusy, LaneproofError
from laneproof.integrity import Comparison, Pattern, WrongPiece
from laneproof.integrity.buffers import byte_view
from laneproof.moving.card_check import Direction
from laneproof.units import format_bytes


@contextmanager
def buffers(slot: Slot, nbytes: int) -> Generator[tuple[memoryview, memoryview]]:
    """Memory that suits the card, to send from and to receive into."""
    regions = [slot.endpoint.allocate(nbytes) for _ in range(2)]
    try:
        yield regions[0].view[:nbytes], regions[1].view[:nbytes]
    finally:
        for region in regions:
            with suppress(EndpointBusy):  # after a fault the hardware may still write to it
                region.close()


def came_back(
    number: int, transfer: Transfer, pattern: Pattern, into: memoryview, slot: Slot, findings: Findings
) -> bool:
    """Verify what came back and keep what is wrong; whether it is right and took any time."""
    findings.bytes_moved += transfer.bytes_received
    result = pattern.verify(into)
    findings.measures |= how_checked([result])
    if not result.ok:
        piece = WrongPiece(number=number, pattern=pattern, received=byte_view(into), comparison=result)
        slot.damage.keep(piece)
        judge_data(pattern.name, result, findings)
    elif transfer.seconds <= 0:
        _no_time(len(into), findings)
    return not findings.reasons


@define
class TimedBlocks:
    """Moves blocks, `warm_up` and then `repeats` of each size; rates are in bytes per second, one way.

    The first that is wrong, or took no time, ends it with a reason in `findings`.
    """

    slot: Slot
    findings: Findings
    pattern: str
    warm_up: int
    repeats: int
    rates: dict[int, list[float]] = field(factory=dict[int, list[float]], init=False)
    """Of each size of the blocks, of those that were not to warm up."""
    _done: int = field(default=0, init=False)

    def out_and_back(self, sizes: Sequence[int]) -> None:
        """Of each size in turn."""
        turns = self.warm_up + self.repeats
        own = self.slot.pattern(self.pattern)
        first = own.sequence + self.slot.endpoint.channels[0].take_sequences(turns * len(sizes))
        with buffers(self.slot, max(sizes)) as (out, into):
            for place, nbytes in enumerate(sizes):
                for turn in range(turns):
                    number = place * turns + turn
                    pattern = own.for_sequence(first + number)
                    if not self._one(number, pattern, out[:nbytes], into[:nbytes], turns * sum(sizes)):
                        return

    def _one(self, number: int, pattern: Pattern, out: memoryview, into: memoryview, total: int) -> bool:
        slot, nbytes = self.slot, len(out)
        pattern.fill(out)
        pattern.fill_unlike(into)
        begun_s = slot.endpoint.clock.now_s()
        transfer = slot.loopback(out, into, nbytes)
        slot.at_work.moved.append(Moved(begun_s, begun_s + transfer.seconds, transfer.bytes_received))
        self._done += nbytes
        slot.progress(self._done, total)
        right = came_back(number, transfer, pattern, into, slot, self.findings)
        if right:
            self._add(number % (self.warm_up + self.repeats), nbytes, nbytes / transfer.seconds)
        return right

    def one_way(self, nbytes: int, direction: Direction) -> None:
        """That many bytes at least each time, from one reading of the engine's counter to another.

        Starting and stopping the engine, and showing that it counts, are no part of that time. Raises NotOffered
        without an engine, BadInput for a pattern that it does not have.
        """
        slot, findings = self.slot, self.findings
        name = f"{self.pattern} {direction.replace('_', ' ')}"
        whole: Comparison | None = None
        for turn in range(self.warm_up + self.repeats):
            read: list[tuple[float, int]] = []
            try:
                part = slot.check_by_card(self.pattern, nbytes, direction, done=self._done, read=read)
            except LaneproofError as error:
                if isinstance(error.so_far, Comparison):
                    findings.bytes_moved += error.so_far.bytes_received
                    findings.measures |= how_checked([error.so_far])
                raise
            self._done += part.bytes_received
            findings.bytes_moved += part.bytes_received
            whole = joined(whole, part, 0)
            findings.measures |= {**how_checked([whole]), "demonstrated": whole.demonstrated}
            judge_what_went_wrong(name, part, findings)
            if not findings.reasons and not part.bytes_checked:
                findings.inconclusive(f"{name}: {part.caution}")
            (begun_s, before), (ended_s, after) = read[0], read[-1]
            if not findings.reasons and (ended_s <= begun_s or after <= before):
                findings.inconclusive(
                    f"{name}: all had been compared when it was first counted: no rate; give more bytes"
                )
            if findings.reasons:
                return
            slot.at_work.moved.append(Moved(begun_s, ended_s, after - before))
            self._add(turn, nbytes, (after - before) / (ended_s - begun_s))

    def _add(self, turn: int, nbytes: int, bytes_per_s: float) -> None:
        if turn >= self.warm_up:
            self.rates.setdefault(nbytes, []).append(bytes_per_s)


def rate_row(nbytes: int, rates: Sequence[float]) -> Plain:
    """The rates at one size as plain data: rates in bytes per second, `confidence` that of the median's interval."""
    seen = spread(rates)
    return {
        "bytes": nbytes,
        "repeats": seen.count,
        "bytes_per_second": seen.median,
        "lower_quartile": seen.lower_quartile,
        "upper_quartile": seen.upper_quartile,
        "slowest": seen.least,
        "fastest": seen.most,
        "median_lower": seen.lower,
        "median_upper": seen.upper,
        "confidence": seen.confidence,
    }


def _no_time(nbytes: int, findings: Findings) -> None:
    findings.inconclusive(f"the card's clock did not move while {format_bytes(nbytes)} came back: no rate")
