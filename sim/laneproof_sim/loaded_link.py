"""What one wrong bit does on a link that carries a pattern, for many of them at once: who counts what, what it costs.

The rules are those of `line`, for a wrong bit that has no other near it. Where in a block it falls is taken from its
bit number, as if no time had been lost before; gaps between such bits are long against a block, so that every place is
as likely as another all the same.
"""

from __future__ import annotations

from typing import Any, NamedTuple, TypeVar

import numpy as np
from attrs import asdict, field, frozen
from numpy.typing import NDArray

from laneproof_sim.kernel import HANDLING_S
from laneproof_sim.lane_status import BLOCK_BITS, BLOCKS_TO_SKP, SYNC_HEADER_BITS
from laneproof_sim.line import (
    RETRAIN_S,
    SKP_SYMBOLS,
    START_SYMBOL_NBYTES,
    SYMBOLS_TO_SKP,
    TOKEN_NBYTES,
)
from laneproof_sim.packets import Load
from laneproof_sim.pattern_stream import Block

Bits = NDArray[np.int64]
Flags = NDArray[np.bool_]
Reals = NDArray[np.float64]

TICKS = 1024
"""Ticks of a bit's time. Whole numbers of them add up alike in whatever order."""

SEEN = ("RxErr", "BadTLP", "BadDLLP", "Timeout")
NOTHING, RX_ERR, BAD_TLP, BAD_DLLP, TIMEOUT = range(-1, len(SEEN))


@frozen(eq=False)
class Sites:
    """Wrong bits: their numbers since power-on, whether they go the way of the pattern, and their lanes."""

    bits: Bits = field(factory=lambda: np.empty(0, np.int64))
    onward: Flags = field(factory=lambda: np.empty(0, np.bool_))
    lanes: Bits = field(factory=lambda: np.empty(0, np.int64))


@frozen(eq=False)
class Met(Sites):
    """What came of each wrong bit.

    `first` is what the receiver of that direction sees at once, `second` what follows after `later_s`: BAD_TLP at the
    receiver, TIMEOUT at the sender, or NOTHING. Where `broken`, the receiver lays it to the lane at once, where `odd`,
    by the lane's parity at the next comparison. `lost` are the ticks by which the pattern is held up.
    """

    first: NDArray[np.int8] = field(kw_only=True)
    second: NDArray[np.int8] = field(kw_only=True)
    later_s: Reals = field(kw_only=True)
    broken: Flags = field(kw_only=True)
    odd: Flags = field(kw_only=True)
    lost: Bits = field(kw_only=True)


_S = TypeVar("_S", bound=Sites)


def part(sites: _S, which: slice | Bits | Flags) -> _S:
    """Some of them, or all in another order."""
    return type(sites)(**{name: array[which] for name, array in _arrays(sites).items()})


def joined(*parts: _S) -> _S:
    """All of them, one part behind the other."""
    names = _arrays(parts[0])
    return type(parts[0])(**{name: np.concatenate([_arrays(one)[name] for one in parts]) for name in names})


def _arrays(sites: Sites) -> dict[str, Any]:
    return asdict(sites, recurse=False)


class _Struck(NamedTuple):
    """What is on the line at each wrong bit: a packet of that load, or none, where the link is idle."""

    tlp: Flags
    dllp: Flags
    last: Flags
    """The last packet of its load: none after it shows that it is missing."""
    unit_s: Reals
    within_s: Reals


@frozen
class LoadedLink:
    """One link under the endless sequence of one kind of block."""

    block: Block

    @property
    def block_ticks(self) -> int:
        return round(self.block.duration_s * self.block.timing.line_bits_per_s * TICKS)

    @property
    def alone_bits(self) -> int:
        """Wrong bits further apart than this do not meddle with each other, nor are they counted as one."""
        block, timing = self.block, self.block.timing
        packet_s = max(load.nbytes / load.count for load in (*block.onward, *block.back)) / timing.bytes_per_s
        replay_s = RETRAIN_S + 2 * packet_s + max(timing.nak_round_trip_s, timing.replay_timer_s)
        return int((2 * block.duration_s + replay_s + HANDLING_S) * timing.line_bits_per_s) + 1

    def meet(self, sites: Sites, since: int) -> Met:
        """What these wrong bits do to a stream that began at bit `since`, in order of bits."""
        met = joined(*(self._meet(part(sites, sites.onward == which), since, onward=which) for which in (True, False)))
        return part(met, np.argsort(met.bits, kind="stable"))

    def _meet(self, sites: Sites, since: int, *, onward: bool) -> Met:
        """The same for those of one direction."""
        bits, timing, block = sites.bits, self.block.timing, self.block
        struck = self._struck(bits, since, block.onward if onward else block.back)
        within_nbytes = struck.within_s * timing.bytes_per_s
        packet = struck.tlp | struck.dllp
        if timing.speed_gtps <= 5:
            of_skp = bits // 10 % SYMBOLS_TO_SKP < SKP_SYMBOLS
            retrained = broken = odd = np.zeros(bits.size, np.bool_)
            refused = struck.tlp & ~of_skp
            unseen = refused & (within_nbytes < START_SYMBOL_NBYTES)
            first = np.full(bits.size, RX_ERR, np.int8)
        else:
            token_nbytes = np.where(struck.tlp, TOKEN_NBYTES["tlp"], TOKEN_NBYTES["dllp"])
            in_token = packet & (within_nbytes < token_nbytes)
            broken = (bits // BLOCK_BITS % BLOCKS_TO_SKP == 0) | (bits % BLOCK_BITS < SYNC_HEADER_BITS)
            retrained = ~packet | in_token | broken
            odd = ~retrained
            refused = struck.tlp
            unseen = struck.tlp & in_token
            first = np.where(retrained, RX_ERR, np.where(struck.tlp, BAD_TLP, BAD_DLLP)).astype(np.int8)
        missed, timed_out = unseen & ~struck.last, unseen & struck.last
        passed_s = np.where(retrained, struck.within_s + RETRAIN_S, struck.unit_s) + missed * struck.unit_s
        wait_s = np.where(timed_out, timing.replay_timer_s, timing.nak_round_trip_s)
        recovery_s = retrained * RETRAIN_S
        lost_s = np.where(refused, passed_s + wait_s, recovery_s)
        if not onward:  # held up by what was asked for too late, and by Recovery
            lost_s = recovery_s + np.maximum(0, lost_s - recovery_s - block.slack_s)
        return Met(
            **_arrays(sites),
            first=first,
            second=np.where(missed, BAD_TLP, np.where(timed_out, TIMEOUT, NOTHING)).astype(np.int8),
            later_s=passed_s - struck.within_s + timed_out * wait_s,
            broken=broken,
            odd=odd,
            lost=np.rint(lost_s * (timing.line_bits_per_s * TICKS)).astype(np.int64),
        )

    def _struck(self, bits: Bits, since: int, loads: tuple[Load, ...]) -> _Struck:
        timing = self.block.timing
        # In ticks, as a block is no whole number of bits; taken modulo a block twice, as ticks overflow.
        into = ((bits - since) % self.block_ticks * TICKS % self.block_ticks) / (TICKS * timing.line_bits_per_s)
        ends_s = np.cumsum([load.nbytes for load in loads]) / timing.bytes_per_s
        which = np.searchsorted(ends_s, into, side="right")
        if loads is self.block.onward:
            which = np.minimum(which, len(loads) - 1)
        # An idle line as one load more, of one packet of neither kind.
        kinds = np.array([load.kind for load in loads] + ["idle"])[which]
        counts = np.array([load.count for load in loads] + [1])[which]
        starts_s = np.append(0.0, ends_s)[which]
        units_s = np.append(np.diff(ends_s, prepend=0.0), 1.0)[which] / counts
        number = np.minimum((into - starts_s) // units_s, counts - 1)
        return _Struck(
            tlp=kinds == "tlp",
            dllp=kinds == "dllp",
            last=number == counts - 1,
            unit_s=units_s,
            within_s=into - starts_s - number * units_s,
        )
